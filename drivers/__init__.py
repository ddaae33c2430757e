"""Instruments: what they can do (roles), how they are reached, what they call things. Imports no engine, no simulator."""
