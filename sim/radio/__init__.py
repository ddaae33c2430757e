"""The simulated unit: receivers, transmitters, controls."""
