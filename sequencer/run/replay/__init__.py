"""Going through a stored run again without a bench: its trace answers in place of the instruments and the people."""
