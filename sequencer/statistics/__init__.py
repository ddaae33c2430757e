"""Statistics of a line: yields, capability, control charts, gauge studies, sampling, risk. Imports uncertainty alone."""
