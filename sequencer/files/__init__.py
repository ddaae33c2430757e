"""Read what a person wrote, with the place of every word.

Imports units and problems, and pydantic; no other room.
"""
