"""What is asked of a person, recorded, adjusted or read from a file at the unit: one file a check.

Imports `adjusting`, `shared` and the checks' own modules, and what `sequencer.checks` may import.
"""
