"""Load a sequence, plan it, and prove it before the first byte.

Imports checks, bench, inputs, safety, files, uncertainty and units; nothing that executes a plan.
"""
