"""Radios that speak lines of text."""
