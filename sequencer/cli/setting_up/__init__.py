"""Commands that make and try what a run needs: files, instruments, a radio's channel list."""
