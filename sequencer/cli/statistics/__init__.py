"""The commands that ask whether the measuring, the rule and the sample are good enough.

Imports statistics, analysis, results and run, and the screens and what commands share.
"""
