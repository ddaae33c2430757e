"""Bench, channel plan and loss table as frozen models.

Imports files, units and the names that drivers and profiles have; no bench that is open.
"""
