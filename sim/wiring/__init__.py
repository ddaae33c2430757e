"""Cables, switches and the witness that watches them. Imports `sim.radio` and the clock and signal of `sim`."""
