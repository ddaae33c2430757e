"""Going through a stored run again without a bench: its trace answers in place of the instruments and the people.

Imports planning, bench (for the tape), checks and the rest of run; no screen.
"""
