"""The look that a decoder is no slower than told: what was never read proves nothing."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.checks.shared.signalling.decoder_levels import DecoderOnSide
from sequencer.search.protocol import Crossing, Status


def said(answers: list[bool | None]) -> list[str]:
    """Return what is said of a decoder found to open at -110 dBm, and to shut at -114 dBm, which answers so when it is given time."""
    left = iter(answers)
    listener: Any = SimpleNamespace(apply=lambda: None, is_open_after=lambda _s: next(left))
    side = SimpleNamespace(
        remove_signal=lambda: None, wait_s=lambda _s: None, set_level_dbm=lambda _dbm: None
    )
    decoder: Any = SimpleNamespace(
        side=side,
        window_dbm=(-137.0, -20.0),
        pause_s=0.5,
        slow_s=2.0,
        detect_s=0.2,
        apply_own=lambda _dbm: None,
    )
    rising, falling = (
        Crossing(status=Status.FOUND, level_db=dbm, half_width_db=0.5) for dbm in (-110.0, -114.0)
    )
    found: Any = SimpleNamespace(rising=rising, falling=falling)
    texts = list(DecoderOnSide._slow(decoder, listener, found))
    assert next(left, "none") == "none", "fewer looks were taken"
    return texts


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ([False, True], []),
        ([None, False, None, True], []),
        ([True, True], ["found to open at"]),
        ([None, None, True], ["that it opens no later"]),
        ([False, None, None], ["that it shuts no later"]),
        ([False, False], ["found to shut at"]),
    ],
)
def test_what_the_answers_are_taken_for(answers: list[bool | None], words: list[str]) -> None:
    """A look that could not be read is taken once more."""
    texts = said(answers)
    assert len(texts) == len(words)
    assert all(word in text for word, text in zip(words, texts, strict=True))
