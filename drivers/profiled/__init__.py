"""Instruments whose words stand in a profile."""
