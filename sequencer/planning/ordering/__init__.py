"""In which order steps are made, what they share, and how long that takes: rests, key-downs in common, points of axes.

Imports checks, inputs, safety, results and, of planning, proving and the step.
"""
