"""The simulated bench: one radio, its cables and its instruments, on one clock and one seed. Imports no engine, no driver."""
