"""Load a sequence, plan it, and prove it before the first byte."""
