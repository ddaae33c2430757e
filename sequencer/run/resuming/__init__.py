"""Take up a run that was cut short, or repeat checks of an earlier one.

Imports what is kept and the run's facts; nothing that measures.
"""
