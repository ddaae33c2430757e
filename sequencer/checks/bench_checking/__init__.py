"""The parts of `bench_check`: its settings, its budgets, and what was found against its history.

Imports what checks import; `bench_check` imports it, never the other way round.
"""
