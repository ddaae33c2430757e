"""Several benches at once: a process for each, and one screen.

Imports the commands below it: each process is an ordinary `run`.
"""
