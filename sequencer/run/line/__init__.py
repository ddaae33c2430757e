"""A station on the line: one unit after another, each begun by a scan. Knows no screen.

Imports bench, planning, inputs, safety and the run that it begins.
"""
