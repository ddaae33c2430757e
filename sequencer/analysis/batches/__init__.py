"""What the runs of a batch come to: yields, failures, capability, charts, seconds. Looks at stored results; opens no bench.

Imports the rest of analysis, results, statistics, uncertainty and units.
"""
