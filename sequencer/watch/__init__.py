"""A page to watch: what the benches do, and what was found. It reads the store and nothing else, and nothing can be changed through it.

Imports results, analysis, report and units; no run, no bench, no safety, no driver (a contract in pyproject.toml holds that).
"""
