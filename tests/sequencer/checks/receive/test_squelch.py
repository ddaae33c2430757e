"""The look that a squelch is no slower than told: what each series of answers is taken for."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.checks.receive import squelch
from sequencer.checks.receive.squelch import SquelchSettings
from sequencer.search.protocol import Crossing, Status

OPEN_V, SHUT_V, UNREAD = 1.0, 0.001, None


def said(monkeypatch: pytest.MonkeyPatch, answers: list[float | None], levels_dbm: list[float]) -> str:
    """Return what is said of a squelch found to open at -110 dBm and to close at -114 dBm, which answers so when it is given time."""
    monkeypatch.setattr(
        squelch, "apply_wanted", lambda _side, _settings, _conditions, dbm: levels_dbm.append(dbm)
    )
    left = iter(answers)
    side: Any = SimpleNamespace(
        remove_signal=lambda: None,
        wait_s=lambda _s: None,
        set_level_dbm=levels_dbm.append,
        read_audio_v=lambda _s: SimpleNamespace(number=next(left)),
    )
    settings = SquelchSettings(check="squelch")
    monkeypatch.setattr(type(settings.levels), "bounds_dbm", lambda *_: (-137.0, -20.0))
    rising, falling = (
        Crossing(status=Status.FOUND, level_db=dbm, half_width_db=0.5, sd_db=0.5) for dbm in (-110.0, -114.0)
    )
    found: Any = SimpleNamespace(rising=rising, falling=falling)
    text = squelch._why_slow(side, settings, SimpleNamespace(), found, 0.03)  # type: ignore[arg-type]
    assert next(left, "none") == "none", "fewer looks were taken"
    return text


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ([SHUT_V, OPEN_V], ""),
        ([OPEN_V, SHUT_V, OPEN_V], ""),  # once may be jitter
        ([OPEN_V, OPEN_V], "it was found to open at -110.0 dBm, and opens at -112.0 dBm given 1 s"),
        ([UNREAD, OPEN_V, OPEN_V], "and opens at -112.0 dBm"),
        ([UNREAD, SHUT_V, UNREAD, OPEN_V], ""),  # a fault that passes costs nothing
        ([UNREAD, UNREAD, UNREAD], "could not be read"),
        ([UNREAD, OPEN_V, UNREAD], "could not be read"),
        ([SHUT_V, SHUT_V, SHUT_V], "it was found to close at -114.0 dBm, and closes at -112.0 dBm given 1 s"),
        ([SHUT_V, UNREAD, UNREAD, UNREAD], "that it closes no later"),
    ],
)
def test_what_the_answers_are_taken_for(
    monkeypatch: pytest.MonkeyPatch, answers: list[float | None], words: str
) -> None:
    """Seen twice it is slow; seen as told once it is not; what was never read proves nothing."""
    levels_dbm: list[float] = []
    text = said(monkeypatch, answers, levels_dbm)
    assert (words in text) if words else text == ""
    assert -112.0 in levels_dbm  # half a dB and two jitters beyond the interval, either way
