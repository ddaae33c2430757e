"""Commands that look at stored runs; they open no bench.

Imports analysis, report, results and the replay of run, and the screens and what commands share.
"""
