"""Keep what a run leaves: its journal, the files it was made from, what waits for the store, and what stands where.

Imports the run's facts and events, and the store; nothing that measures.
"""
