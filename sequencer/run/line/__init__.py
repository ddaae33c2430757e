"""A station on the line: one unit after another, each begun by a scan. Knows no screen."""
