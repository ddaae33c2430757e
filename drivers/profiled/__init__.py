"""Instruments whose words stand in a profile. Imports `drivers.link` and the roles, faults, clock and trace of `drivers`."""
