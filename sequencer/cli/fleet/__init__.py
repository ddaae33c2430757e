"""`jobs` and `worker`: jobs for many benches, added, looked at and cancelled; and the bench that takes them.

Imports cli.run, cli.resume and fleet. Commands are declared in `options.py`, which start-up imports.
"""
