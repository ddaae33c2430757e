"""Checks of the bench itself: one file a check.

Imports `bench_checking`, `shared` and the checks' own modules, and what `sequencer.checks` may import.
"""
