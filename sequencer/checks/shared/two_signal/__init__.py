"""A wanted signal and one that disturbs it: what is asked, the search of the ratio, and its budget.

Imports what checks import and, of what they share, asked, budgets, readings and level_search.
"""
