"""The way out: making a bench safe, and what is left where it does not obey.

Imports drivers and, of safety, control and what control imports.
"""
