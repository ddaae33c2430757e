"""Result rows, their table, their store and what is exported of them.

Imports files, uncertainty, units and the trace of drivers; no bench, no check, no run.
"""
