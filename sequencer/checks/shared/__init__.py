"""What several checks are made of, a room for each part of it, and which commands of its instruments a check needs.

Imports what checks import, and no check.
"""
