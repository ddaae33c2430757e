"""What looks for a level: the wanted signal, the loop that steps it, the reader of sensitivity, the line of the signal meter.

Imports what checks import and, of what they share, asked, budgets and readings.
"""
