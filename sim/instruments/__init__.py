"""The simulated instruments, one file each. Imports `sim.scpi`, `sim.wiring` and `sim.radio`, not what serves them."""
