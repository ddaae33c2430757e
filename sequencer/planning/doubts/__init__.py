"""What a plan that is proved still leaves open: certificates, accuracies not stated, losses beyond a table, presets too fine.

Imports checks, inputs, units and, of planning, the plan and what is below it.
"""
