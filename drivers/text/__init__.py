"""Radios that speak lines of text. Imports `drivers.link` and the roles, faults, clock and trace of `drivers`."""
