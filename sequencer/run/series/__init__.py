"""Runs one after another with nobody there: when each begins, what is tried again, what ends it, and who is told."""
