"""What several checks are made of."""
