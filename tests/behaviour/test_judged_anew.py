"""What a re-evaluation by other limits says of every check: each limit made such that it must fail, and such that it must pass.

Some checks take further readings where they would fail, which a stored run that passed has not, and a run that failed has.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.checks.shared.asked.limits import FrequencyErrorLimit, LevelLimit, TwoEnds
from sequencer.checks.shared.spectrum.mask import MaskRow
from sequencer.cli.main import main
from sequencer.planning.step import Step
from sequencer.results.model import Result
from sequencer.results.store.store import Store
from sequencer.run.replay import replay as replaying
from sequencer.run.replay.compare import Fate
from sequencer.run.replay.files import Planned, planned
from sequencer.run.replay.replay import Replayed
from sequencer.run.replay.source import Source, source_in_store
from sequencer.run.replay.trace_file import read_trace
from sequencer.uncertainty.decision import Decision

TRACES = Path(__file__).parents[1] / "data" / "traces"
RUNS = {
    "vhf-fm-handheld": ("V5-0301", "sim/bench.yaml"),
    "vhf-fm-handheld, failing": ("V5-0305", "sim/bench.yaml"),
    "quick-check, failing": ("M40-0011", "sim/bench.yaml"),
    "hf-ssb-transceiver": ("H10-0201", "sim/bench.yaml"),
    "receiver-rejections": ("M40-0061", "sim/two-signal-bench.yaml"),
    "pre-check-vhf-fm": ("V5-0341", "sim/spectrum-bench.yaml"),
    "keying-vhf-fm": ("V5-0351", "sim/spectrum-bench.yaml"),
    "signalling-tone": ("M40-0071", "sim/bench.yaml"),
    "signalling-code-received": ("M40-0094", "sim/signalling-bench.yaml"),
}
KEPT = ("fm-mobile-acceptance", "multimode-27mhz")
WITH_FURTHER = {
    "vhf-fm-handheld": {"channel_sweep", "residual_modulation", "sensitivity"},
    "vhf-fm-handheld, failing": {"channel_sweep", "sensitivity"},
    "quick-check, failing": set[str](),
    "multimode-27mhz": {"channel_sweep", "residual_modulation", "sensitivity"},
    "hf-ssb-transceiver": set[str](),
    "keying-vhf-fm": set[str](),
    "signalling-tone": set[str](),
    "signalling-code-received": set[str](),
}
"""Checks of a run that passed, and take further readings where they would fail; else the sensitivity alone."""
FAR_DB, TIMES = 3.0, 2.0
FAIL = {Decision.FAIL, Decision.CONDITIONAL_FAIL}
ENDS = {"below": FAIL, "above": FAIL, "wide": {Decision.PASS, Decision.CONDITIONAL_PASS}}
NOT_CONFIRMED = "not confirmed: "


def _source(folder: Path, name: str) -> Source:
    if name in KEPT:
        return read_trace(TRACES / f"{name}.json.gz")
    serial, bench = RUNS[name]
    sequence, at = name.partition(",")[0], ("--folder", str(folder))
    CliRunner().invoke(
        main, ["run", sequence, "--bench", bench, "--serial", serial, "--confirmed", "--json", *at]
    )
    with Store.open_to_read(folder / "results.sqlite") as store:
        return source_in_store(store.read_runs()[0], store)


def _judged(source: Source, way: str, monkeypatch: pytest.MonkeyPatch) -> Replayed:
    """Return the re-evaluation of a run by its own sequence with every limit changed ``way``."""

    @contextmanager
    def other(source: Source, **_: Any) -> Iterator[Planned]:
        rows: dict[int, list[Result]] = {}
        for index, row in source.results:
            rows.setdefault(index, []).append(row)
        with planned(source) as then:
            steps = tuple(_changed(step, rows.get(step.index, []), way) for step in then.plan.steps)
            yield Planned(plan=replace(then.plan, steps=steps), then=then.plan, changed=("sequence",))

    monkeypatch.setattr(replaying, "planned", other)
    return replaying.replay(source)


def _changed(step: Step, rows: list[Result], way: str) -> Step:
    fields = type(step.settings).model_fields
    named = {name: field.alias or name for name, field in fields.items()}
    changed = {}
    for name, key in named.items():
        mine = [
            row.value for row in rows if row.value is not None and step.check.limit_key(row.quantity) == key
        ]
        limit = getattr(step.settings, name)
        if mine and (other := _other_limit(name, limit, mine, way)) is not None:
            changed[name] = other
    return replace(step, settings=step.settings.model_copy(update=changed))


def _other_limit(name: str, limit: Any, values: list[float], way: str) -> Any:
    if isinstance(limit, LevelLimit) and limit.within_db is not None:
        return limit.model_copy(update={"within_db": 200.0 if way == "wide" else 0.0})
    if isinstance(limit, TwoEnds):
        low, high = (
            next(one for one in type(limit).model_fields if one.startswith(end)) for end in ("min_", "max_")
        )
        in_db = low.endswith(("_db", "_dbm"))
        under, over = min(values), max(values)
        if way == "wide":
            new = {
                low: under - FAR_DB if in_db else under / TIMES,
                high: over + FAR_DB if in_db else over * TIMES,
            }
        elif way == "below":
            new = {low: None, high: under - FAR_DB if in_db else under / TIMES}
        else:
            new = {low: over + FAR_DB if in_db else over * TIMES, high: None}
        return limit.model_copy(update=new)
    if isinstance(limit, FrequencyErrorLimit):
        number = 1e6 if way == "wide" else 1e-3
        within = replace(limit.within, **{_first(limit.within): number})
        return FrequencyErrorLimit.model_construct(within=within)
    if isinstance(limit, tuple) and limit and isinstance(limit[0], MaskRow):
        return tuple(row.model_copy(update={"max_w": 1e3 if way == "wide" else 1e-30}) for row in limit)
    if name in ("within_db", "agree_within_db", "linearity_db"):
        return None if limit is None else 200.0 if way == "wide" else 0.0
    return None


def _first(within: Any) -> str:
    return next(iter(within.__dataclass_fields__))


@pytest.mark.parametrize("name", [*KEPT, *RUNS])
def test_every_limit_gets_a_verdict(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every result has the number that it had and the verdict of the new limit; what only a further reading would confirm says so."""
    source, noted = _source(tmp_path, name), set()
    for way, decisions in ENDS.items():
        judged = _judged(source, way, monkeypatch)
        assert judged.departure is None, way
        found = 0
        for one in judged.results:
            told = f"{way}: {one.result.check} {one.result.quantity}"
            assert one.fate in (Fate.SAME, Fate.DIFFERS), told
            assert one.then is not None
            assert one.now is not None
            if NOT_CONFIRMED in one.now.note:
                assert one.now.check == "channel_sweep" or one.now.decision in FAIL, told
                noted.add(one.now.check)
            if one.then.value is None or one.then.bound:
                continue
            counts = (
                one.now.quantity == "channel sweep, outside its limits"
            )  # how many fail by the new limits
            assert counts or one.now.value == one.then.value, told
            limits = (one.now.lower_limit, one.now.upper_limit)
            if (
                one.fate is Fate.DIFFERS
                and not counts
                and limits != (one.then.lower_limit, one.then.upper_limit)
            ):
                assert one.now.decision in decisions, told
                found += 1
        assert found, way
    assert noted == WITH_FURTHER.get(name, {"sensitivity"}), name
