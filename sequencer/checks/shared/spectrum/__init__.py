"""A transmitter's spectrum: traces that are believed, lines beside the carrier, what lies between them, a carrier as it comes and goes.

Imports what checks import and, of what they share, budgets, readings, transmit and the list of commands.
"""
