"""What a person reads and answers at a terminal; imports of cli only common."""
