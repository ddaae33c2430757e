"""The simulated unit: receivers, transmitters, controls. Imports only the clock, signal, lag and requirements of `sim`."""
