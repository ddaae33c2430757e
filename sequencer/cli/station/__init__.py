"""`line`: a station at which one unit after another is scanned and measured."""
