"""The simulated bench as a VISA library or on a socket. Imports `sim.scpi` and `sim.wiring`, and no instrument."""
