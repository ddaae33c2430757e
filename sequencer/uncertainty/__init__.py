"""Budgets, coverage and the decision between pass and fail."""
