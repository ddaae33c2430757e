"""Several benches at once: a process for each, and one screen."""
