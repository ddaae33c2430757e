"""Read what a person wrote, with the place of every word."""
