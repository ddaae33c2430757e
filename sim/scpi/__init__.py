"""A device that speaks SCPI: syntax, tree, status, injected faults. Imports only the clock of `sim`."""
