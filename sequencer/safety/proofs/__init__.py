"""What a reading must be before it counts: plausible, responding, gone when the key is released, not across a standstill.

Imports drivers only.
"""
