"""What several checks are made of.

Imports what checks import, and no check.
"""
