"""Cables, switches and the witness that watches them."""
