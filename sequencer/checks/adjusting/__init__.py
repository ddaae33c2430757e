"""What adjusting is made of: the presets with the checks that read them, the readings while they are turned, and the turning.

Imports what checks import; a check imports it, never the other way round.
"""
