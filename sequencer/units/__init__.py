"""Quantities: convert, read and show them."""
