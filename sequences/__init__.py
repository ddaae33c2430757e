"""Sequences that work on the simulated bench, and channel plans with their published source (data only)."""
