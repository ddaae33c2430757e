"""``python -m sequencer`` is the command line."""

from sequencer.cli.main import main

main()
