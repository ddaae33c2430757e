"""What a budget is made of: what the bench file states, scatter, filters, and the budget of a level that a search found.

Imports the drivers, inputs, search, uncertainty, units and findings; nothing else that checks share.
"""
