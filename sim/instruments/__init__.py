"""The simulated instruments."""
