"""What the transmit side is made of: the time that the unit is keyed, and what reads it meanwhile.

Imports drivers and, of safety, control and what control imports.
"""
