"""What the receive side is made of: what feeds the unit, what reads it, and the proofs that both do what they say.

Imports drivers and, of safety, control and what control imports.
"""
