"""How a reading is taken until it counts: settled, in what steps, by a person, or once more after a fault.

Imports the drivers, inputs, search, results, safety, uncertainty and findings; nothing else that checks share.
"""
