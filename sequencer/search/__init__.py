"""Find a crossing with few readings, on anything that answers one; import nothing of the project."""
