"""What counts as the same result when a run is gone through again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.run.replay.compare import differing
from tests.support.stored_results import a_result


@pytest.mark.parametrize(
    ("factor", "named"), [(1.0 + 1e-15, ()), (1.0 + 1e-12, ()), (1.0 + 1e-8, ("value",)), (1.01, ("value",))]
)
def test_what_a_processor_rounds_otherwise_is_no_difference(factor: float, named: tuple[str, ...]) -> None:
    """The last digits of sixteen differ between processors, by the kernels that the linear algebra chooses; a result does not."""
    then = a_result(value=-120.0)
    assert differing(then, replace(then, value=-120.0 * factor)) == named
