"""What a sequence is before it is planned: its model, what a model file and a file of limits fill in, what cannot be read.

Imports checks, inputs, files, uncertainty and units; nothing else of planning.
"""
