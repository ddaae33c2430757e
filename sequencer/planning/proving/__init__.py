"""What is held against a plan before the first byte: contradictions, demands that unit or bench do not bear, values of axes.

Imports checks, inputs, files, units and, of planning, what loads and the step.
"""
