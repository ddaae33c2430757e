"""`run` with nobody there: several runs one after another, at their times, with a log and somebody who is told.

Imports `run` as a command and `sequencer.run.series`.
"""
