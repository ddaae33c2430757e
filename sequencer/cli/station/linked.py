"""Whoever stands at several stations, before the process that shows them: faces go to standard output, scans come on standard input.

The lines are those of the station's window (`sequencer/cli/station/window.py`). Where that process ends, the session ends as where the
window has gone: what is under way is finished, the bench made safe.
"""

from __future__ import annotations

import os
from contextlib import suppress

from typing_extensions import override

from sequencer.cli.station.screen import WindowOperator


class LinkedOperator(WindowOperator):
    """A `WindowOperator` whose window is drawn by the process that started this one."""

    @override
    def __enter__(self) -> LinkedOperator:
        self._faces, self._keys = os.dup(1), os.dup(0)
        os.dup2(2, 1)  # whatever else is said goes the other way
        os.set_blocking(self._faces, False)  # nothing waits for who shows it while a unit is measured
        return self

    @override
    def __exit__(self, *_: object) -> None:
        for descriptor in (self._faces, self._keys):
            with suppress(OSError):
                os.close(descriptor)
        self._faces = self._keys = -1
