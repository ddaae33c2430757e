"""Open a bench, real or simulated."""
