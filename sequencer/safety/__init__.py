"""The three sides of a bench, its key, and the way out.

Imports drivers only.
"""
