"""What speaks for or against the bench that a run is made on.

Imports the run's facts, and the store to look back; no instrument.
"""
