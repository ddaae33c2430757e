"""The parts of `bench_check`: its settings, its budgets, and what was found against its history."""
