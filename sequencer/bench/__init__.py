"""Open a bench, real or simulated.

Imports inputs, safety, files and the drivers, and `sim` for the simulated one; no check and no plan.
"""
