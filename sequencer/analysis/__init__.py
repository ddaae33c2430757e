"""Look back: compare runs, and follow a figure through them."""
