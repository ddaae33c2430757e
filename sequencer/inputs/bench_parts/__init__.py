"""What a bench file is made of: instruments with what each may be wrong by, paths with their losses, the bench's own health.

Imports files, units and the names that drivers have; of inputs nothing outside this room.
"""
