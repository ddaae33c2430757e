"""A device that speaks SCPI: syntax, tree, status, injected faults."""
