"""What is remembered of a bench beyond the end of this process: its mark, its cables, its unit's key.

Imports drivers only.
"""
