"""The command line: one file a command.

Imports every room, and alone click and rich; nothing imports it.
"""
