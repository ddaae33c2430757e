"""Look back: compare runs, and follow a figure through them.

Imports results, statistics, uncertainty and units; no bench, no check, no run.
"""
