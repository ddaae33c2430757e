"""Instruments: what they can do (roles), how they are reached (transport) and what they call things (profiles)."""
