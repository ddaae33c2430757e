"""The loop between a search and the receive side: which readings count as lit."""

from types import SimpleNamespace
from typing import Any, cast

import pytest

from drivers.roles import Reading
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.search.protocol import Ask
from sequencer.search.switching import Shown


@pytest.mark.parametrize(
    ("volts", "lit_above", "lit"), [(2.5, True, True), (2.5, False, False), (1.5, False, True)]
)
def test_a_segment_is_lit_on_the_side_that_the_line_has_it(volts: float, lit_above: bool, lit: bool) -> None:
    """Above 2 V on a line that rises with the level, below it on one that falls."""
    side = SimpleNamespace(
        set_level_dbm=lambda level_dbm: level_dbm, wait_s=lambda _s: None, now_s=lambda: 0.0
    )
    conditions = SimpleNamespace(say=lambda _text: None)
    stepper = Stepper(cast("Any", side), cast("Any", conditions), lambda _s: Reading(number=volts), unit="V")
    shown = stepper.test(Ask(level_db=-73.0, wait_s=0.0, reading_s=0.1), 2.0, lit_above=lit_above)
    assert shown == Shown(0.5 if lit else -0.5)
    assert isinstance(shown, Shown)
    assert shown.on is lit
