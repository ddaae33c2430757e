"""Signalling below speech as a receiver meets it: what is sent to it, at which levels it opens, what else opens it.

Imports what checks import and, of what they share, asked, budgets and level_search.
"""
