"""`run` with nobody there: several runs one after another, at their times, with a log and somebody who is told."""
