"""Instruments that a person sets and reads. Imports only the roles, faults, clock and trace of `drivers`."""
