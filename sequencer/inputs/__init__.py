"""Bench, channel plan and loss table as frozen models."""
