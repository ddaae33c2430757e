"""What is read of a keyed unit: settled power and modulation, proofs that drive and channel do what they say.

Imports what checks import and, of what they share, budgets and readings.
"""
