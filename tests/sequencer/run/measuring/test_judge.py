"""Judging: each result says in which file and on which line its limits stand."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.checks import SHIPPED, find_check
from tests.support.every_check import EVERY_CHECK, plan_of
from tests.support.running import run_checks

CHECKS = """\
{check: carrier_power, channel: 20, readings: 2, limit: {min: 3 W, max: 4 W}}
{check: frequency_error, channel: 20}
{check: supply_current, channel: 20, transmit: {max: 2 A}}
"""


def test_a_result_says_where_its_limits_stand(tmp_path: Path) -> None:
    """File and line of the key; nothing where nothing limits, also beside a figure of the same check that has a limit."""
    ran = run_checks(tmp_path, "M40-0007", CHECKS)
    lines = (tmp_path / "sequence.yaml").read_text(encoding="utf-8").splitlines()
    at = {
        check: next(number for number, line in enumerate(lines, start=1) if check in line)
        for check in ("carrier_power", "supply_current")
    }
    assert ran.found("carrier power").limit_from == f"sequence.yaml:{at['carrier_power']}"
    assert ran.found("supply current, transmit").limit_from == f"sequence.yaml:{at['supply_current']}"
    assert ran.found("supply current, receive").limit_from == ""
    assert ran.found("frequency error").limit_from == ""
    assert ran.outcome.results[0].limit_from == ""


@pytest.mark.parametrize("name", sorted(EVERY_CHECK))
def test_the_limits_of_each_quantity_have_a_key_that_the_settings_know(tmp_path: Path, name: str) -> None:
    """What each quantity of a check, as it names them, is limited by is a key of that check's settings, or the check's own."""
    step = plan_of(tmp_path, name).steps[-1]
    known = {field.alias or one for one, field in type(step.settings).model_fields.items()}
    keys = {step.check.limit_key(quantity) for quantity, _ in step.check.quantities(step.settings)}
    assert keys - {""} <= known


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_every_limit_a_check_names_is_one_of_its_settings(name: str) -> None:
    """No check promises limits under a key that its file could not hold."""
    check = find_check(name)
    known = {field.alias or one for one, field in check.settings.model_fields.items()}
    assert set(check.limit_keys.values()) <= known
