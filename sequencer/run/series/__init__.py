"""Runs one after another with nobody there: when each begins, what is tried again, what ends it, and who is told.

Imports how a run ended and what it tells, files and units; no bench.
"""
