"""`line`: a station at which one unit after another is scanned and measured.

Imports what `run` on a screen and with nobody there needs, and `sequencer.run.line`.
"""
