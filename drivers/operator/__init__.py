"""Instruments that a person sets and reads."""
