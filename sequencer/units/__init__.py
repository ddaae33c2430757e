"""Convert, read and show quantities; import nothing of the project."""
