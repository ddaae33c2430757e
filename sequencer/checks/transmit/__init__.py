"""Checks of the transmitter: one file a check.

Imports `shared` and the checks' own modules, and what `sequencer.checks` may import.
"""
