"""Work out budgets, coverage factors and the decision between pass and fail; import nothing of the project."""
