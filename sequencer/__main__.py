"""``python -m sequencer`` is the command line."""

from sequencer.cli import main

main()
