"""What a person says or does during a run: confirms, enters a reading, sets at the live screen.

Imports the run's interrupt only; no terminal.
"""
