"""Commands that make and try what a run needs: files, instruments, a radio's channel list.

Imports inputs, planning, bench and reference, and the screens and what commands share.
"""
