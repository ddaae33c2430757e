"""A stored budget is read as it was written: no figure of it is worked out anew."""

from __future__ import annotations

import json

import pytest

from sequencer.results.budget_rows import stored
from sequencer.results.stored_budget import budget_as_plain, stored_budget
from tests.support.stored_rows import level_budget


def test_figures_are_those_that_were_stored() -> None:
    """Standard and expanded uncertainty, coverage factor and each contribution are as the store's JSON has them, also where a sequencer
    of today would find others."""
    budget = level_budget(-120.0)
    plain = json.loads(json.dumps(budget_as_plain(stored(budget))))
    read = stored_budget({**plain, "coverage_factor": 1.81, "expanded": 0.3})
    assert (read.coverage_factor, read.expanded, read.standard) == (1.81, 0.3, pytest.approx(budget.standard))
    assert [part.source for part in read.contributions] == [part.source for part in budget.contributions]
    assert [part.size for part in read.contributions] == pytest.approx(
        [part.amount for part in budget.contributions]
    )
    assert [part.common for part in read.contributions] == [part.common for part in budget.contributions]


def test_a_budget_from_before_shares_nothing_and_what_it_states_is_not_known() -> None:
    """Budgets stored before contributions said what they share, and before unstated keys were listed, are read too; not as stating all."""
    plain = budget_as_plain(stored(level_budget(-120.0)))
    old = {key: one for key, one in plain.items() if key not in ("unstated", "correlations")}
    old["contributions"] = [
        {key: one for key, one in part.items() if key not in ("common", "keys")}
        for part in plain["contributions"]
    ]
    read = stored_budget(old)
    assert {part.common for part in read.contributions} == {"none"}
    assert read.unstated is None
    assert read.correlated == frozenset()


def test_what_is_no_budget_is_refused_by_what_it_lacks() -> None:
    """A budget that was cut short is a ValueError that names the first thing missing."""
    with pytest.raises(ValueError, match="lacks 'coverage'"):
        stored_budget({"unit": "dB"})


def test_what_has_another_form_is_refused() -> None:
    """A budget that is no record, or whose parts are none, is a ValueError and no other error."""
    plain = budget_as_plain(stored(level_budget(-120.0)))
    for wrong in ([], {**plain, "contributions": [1]}, {**plain, "correlations": 3}):
        with pytest.raises(ValueError, match="budget"):
            stored_budget(wrong)  # type: ignore[arg-type]
