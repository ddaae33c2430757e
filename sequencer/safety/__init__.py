"""The three sides of a bench, its key, and the way out: a check is handed one of the sides, which stand in the room itself.

Imports drivers only. What the sides are made of stands in rooms: `receiving`, `transmitting`, `control`, `ending`, `proofs`, `remembered`
and `watchdog`.
"""
