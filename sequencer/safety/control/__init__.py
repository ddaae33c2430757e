"""What every side is entered, held and left by: the key, the supply, the channel, and the state that a check starts from.

Imports drivers and, of safety, proofs, watchdog and remembered.
"""
