"""What a batch comes to, on units whose truth the test chose: who counts, once and as what, and what is said of how they scatter."""

from __future__ import annotations

import json
import random
import re
import statistics
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.analysis.batches.process import process_of
from sequencer.analysis.batches.quantities import quantities_of
from sequencer.analysis.batches.summary import BatchSummary, find_record, find_summary, summary_as_plain
from sequencer.analysis.batches.units import record_of_runs
from sequencer.analysis.batches.words import capability_lines
from sequencer.cli.screens.batch_screen import batch_lines
from sequencer.cli.screens.chart_text import chart_lines
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from sequencer.statistics.charts import count_chart
from sequencer.uncertainty.decision import Decision, Limits
from tests.support.batch_store import BATCH, a_run, power_row, write_batch, write_unit

# NIST/SEMATECH e-Handbook 6.3.2.2 (flow rate example), the individuals chart's own figures there: centre 50.81, limits 55.8041 and 45.8159
# with d2 rounded to 1.128; 55.8024 with d2 unrounded [shared reference table].
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
_FLOW_LIMITS, _OFFSET = Limits(lower=40.0, upper=60.0), Limits(lower=-600.0, upper=600.0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    with Store.open(tmp_path / "results.sqlite", power_safe=False) as opened:
        yield opened


def _summary(store: Store, **how: int | bool) -> BatchSummary:
    return find_summary(BATCH, store, **how)  # type: ignore[arg-type]


def test_a_unit_counts_once_however_often_it_is_tested(store: Store) -> None:
    """Ten units, one of which fails twice and then passes: nine of ten at first, ten of ten in the end; of ten units, never of twelve."""
    write_batch(store, [3.5] * 9)
    for at, value in enumerate((4.5, 4.4, 3.9), start=1):
        write_unit(store, 20 + at, "M40-0100", value, attempt=at)
    found = _summary(store).yields
    assert found.first_pass is not None
    assert found.final is not None
    assert (found.first_pass.count, found.first_pass.of) == (9, 10)
    assert (found.final.count, found.final.of) == (10, 10)
    assert (found.judged, found.attempts, found.retested) == (10, 12, 1)
    # 9 of 10, exact 95 % interval: 0.5550 to 0.9975 (Clopper and Pearson; any table of binomial limits)
    assert (found.first_pass.lower, found.first_pass.upper) == pytest.approx((0.5550, 0.9975), abs=5e-5)


def test_a_later_failure_is_the_final_word(store: Store) -> None:
    """A unit that passed and failed when it was tested again passed at first, and failed in the end."""
    write_unit(store, 0, "M40-0001", 3.5)
    write_unit(store, 1, "M40-0001", 4.5, attempt=2)
    found = _summary(store).yields
    assert found.first_pass is not None
    assert found.final is not None
    assert (found.first_pass.count, found.final.count) == (1, 0)


def test_a_repeated_check_changes_the_final_verdict_only(store: Store) -> None:
    """A check repeated with `--again` takes the place of what failed, in the end; at the first attempt the unit failed."""
    first = write_unit(store, 0, "M40-0001", 4.5)
    write_unit(store, 1, "M40-0001", 3.5, repeats=first.run, reason="plug was loose")
    found = _summary(store)
    assert found.yields.first_pass is not None
    assert found.yields.final is not None
    assert (found.yields.first_pass.count, found.yields.final.count, found.yields.judged) == (0, 1, 1)
    assert found.yields.retested == 1
    assert [row.value for row in found.processes[0].quantity.rows] == [4.5]


def test_runs_without_a_verdict_are_in_no_yield(store: Store) -> None:
    """Broken off, or the bench failed: no verdict, no attempt. But a limit that failed before Ctrl-C was one."""
    write_unit(store, 0, "M40-0001", 3.5)
    write_unit(store, 1, "M40-0002", 3.5, status=4, outcome="interrupted (SIGINT)")
    write_unit(store, 2, "M40-0003", None)
    write_unit(store, 3, "M40-0004", 4.5, status=4, outcome="interrupted (SIGINT)")
    found = _summary(store).yields
    assert found.first_pass is not None
    assert (found.first_pass.count, found.first_pass.of, found.without_verdict) == (1, 2, 2)
    assert "2 units without a verdict" in found.sentence()


@pytest.mark.parametrize("status", [0, 3])
def test_a_run_whose_bench_was_not_confirmed_safe_is_no_first_pass(store: Store, status: int) -> None:
    """Nor is a repeat that ended so the end of a failure; 0 is what stores of before say of such a run. A limit that failed has failed."""
    write_unit(store, 0, "M40-0001", 3.5, bench_safe=False, status=status)
    failed = write_unit(store, 1, "M40-0002", 4.5)
    write_unit(store, 2, "M40-0002", 3.5, bench_safe=False, status=status, repeats=failed.run)
    write_unit(store, 3, "M40-0003", 4.5, bench_safe=False, status=3)
    found = _summary(store).yields
    assert found.first_pass is not None
    assert found.final is not None
    assert (found.first_pass.count, found.final.count, found.judged, found.without_verdict) == (0, 0, 2, 1)


def test_units_that_passed_only_conditionally_are_counted_with_why(store: Store) -> None:
    """A yield of 2 of 2 with one whose limits nothing proves says so."""
    write_unit(store, 0, "M40-0001", 3.5)
    run = a_run(1, "M40-0002")
    store.write_run(run, batch=BATCH)
    unknown = replace(power_row(run, 3.5), uncertainty=None, decision=Decision.CONDITIONAL_PASS)
    store.write_check(run.run, 0, [unknown], [])
    store.write_end(run.run, outcome="done", bench_safe=True, bench_s=60.0, status=0)
    found = _summary(store).yields
    assert found.first_pass is not None
    assert found.first_pass.count == 2
    said = "1 unit passed at first with limits met only conditionally (uncertainty not stated)."
    assert said in found.sentence()


def test_simulated_runs_and_other_sequences_are_never_mixed_in(store: Store) -> None:
    """They are left out, and it is said how many and why."""
    write_batch(store, [3.5] * 3)
    write_unit(store, 10, "M40-0101", 4.5, simulated=True)
    write_unit(store, 11, "M40-0102", 4.5, sequence_hash="other")
    write_unit(store, 12, "M40-0103", 4.5, evaluated_from="r0000")
    found = _summary(store)
    assert found.yields.first_pass is not None
    assert (found.yields.first_pass.count, found.yields.first_pass.of) == (3, 3)
    assert dict(found.units.left_out) == {
        "on a simulated bench": 1,
        "with another sequence, or the file as it is no more": 1,
    }
    assert "counted nowhere" in found.left_out_sentence()


def test_failures_stand_in_falling_order_of_first_attempts(store: Store) -> None:
    """Two units fail their power, one its frequency too; what a retest finds is not in the list."""
    for number, (serial, power, offset) in enumerate(
        [
            ("M40-0001", 4.5, 700.0),
            ("M40-0002", 4.5, 100.0),
            ("M40-0003", 3.5, 100.0),
            ("M40-0003", 3.5, 900.0),
        ]
    ):
        run = a_run(number, serial, attempt=1 + (number == 3))
        store.write_run(run, batch=BATCH)
        store.write_check(run.run, 0, [power_row(run, power)], [])
        changed = {"check": "frequency_error", "quantity": "frequency error", "unit": "Hz"}
        store.write_check(run.run, 1, [power_row(run, offset, _OFFSET, **changed)], [])
        store.write_end(
            run.run, outcome="done", bench_safe=True, bench_s=60.0, status=int(power > 4 or offset > 600)
        )
    found = _summary(store).failures
    assert [(one.check, one.failed, one.share.of) for one in found] == [
        ("carrier_power", 2, 3),
        ("frequency_error", 1, 3),
    ]


def test_capability_and_chart_are_the_published_ones(store: Store) -> None:
    """Values of a handbook's example come out of the store with the handbook's centre and limits, and with Cpk by its formula."""
    for at, value in enumerate(FLOW):
        run = a_run(at, f"M40-{at:04}")
        store.write_run(run, batch=BATCH)
        store.write_check(run.run, 0, [power_row(run, value, _FLOW_LIMITS)], [])
        store.write_end(run.run, outcome="done", bench_safe=True, bench_s=60.0, status=0)
    (one,) = _summary(store).processes
    assert one.individuals is not None
    chart = one.individuals.location
    assert (chart.centre, chart.upper[0], chart.lower[0]) == pytest.approx(
        (50.81, 55.8024, 45.8176), abs=5e-5
    )
    assert one.capability is not None
    s = statistics.stdev(FLOW)
    assert one.capability.ppk.value == pytest.approx(min(60.0 - 50.81, 50.81 - 40.0) / (3.0 * s))
    assert "That is few" in one.capability_sentence()


def test_a_bench_that_drifts_is_seen_and_one_that_stands_still_is_not(store: Store, tmp_path: Path) -> None:
    """Sixty units of one spread; the power meter of the second batch loses 6 % over the shift: rules break, and the slope is told."""
    rng = random.Random(7)
    sound = [rng.gauss(3.5, 0.05) for _ in range(60)]
    write_batch(store, sound)
    (still,) = _summary(store).processes
    assert still.drift is not None
    assert not still.drift.is_seen
    assert (
        len(still.alarms) <= 2
    )  # an undisturbed process breaks a rule in 92 units on average (Champ and Woodall, 1987)
    with Store.open(tmp_path / "other.sqlite", power_safe=False) as other:
        write_batch(other, [value * (1.0 - 0.06 * at / 60) for at, value in enumerate(sound)])
        (drifting,) = _summary(other).processes
    assert drifting.drift is not None
    assert drifting.drift.is_seen
    # 6 % of 3.5 W in 60 units, 6 min apart
    assert drifting.drift.per_hour == pytest.approx(-0.06 * 3.5 / 6.0, abs=drifting.drift.expanded)
    assert len(drifting.alarms) > 20
    assert "Look at the bench before the units" in drifting.chart_sentence()
    assert "speak of no one process" in drifting.capability_sentence()


def test_cpk_covers_the_truth_that_the_units_were_made_with(store: Store) -> None:
    """A hundred units of mean 3.6 W and spread 0.1 W between 3 and 4 W: true Cpk 1.33, inside the interval that is given."""
    rng = random.Random(11)
    write_batch(store, [rng.gauss(3.6, 0.1) for _ in range(100)])
    (one,) = _summary(store).processes
    assert one.capability is not None
    for index in (one.capability.cpk, one.capability.ppk):
        assert index.lower < 0.4 / 0.3 < index.upper
    assert one.means is not None
    assert one.groups == (5,) * 20
    assert one.deviations is not None
    assert len(one.deviations.points) == 20
    # 0.1 W within, c4 of 5 is 0.9400 and B6 1.964 (Montgomery's table of factors, from memory); 80 degrees of freedom give 8 % of scatter
    assert one.deviations.centre == pytest.approx(0.094, rel=0.25)
    assert one.deviations.upper[0] == pytest.approx(0.1964, rel=0.25)
    assert one.deviations.outside == ()
    assert "larger than the spread" not in one.capability_sentence()


def test_one_group_that_scatters_more_stands_out_on_the_chart_of_deviations(store: Store) -> None:
    """Five units in a row at 3.1 and 3.9 W among others within 0.03 W: their mean is as before, their standard deviation is not."""
    rng = random.Random(12)
    values = [rng.gauss(3.5, 0.03) for _ in range(50)]
    values[20:25] = [3.1, 3.9, 3.5, 3.1, 3.9]
    write_batch(store, values)
    (one,) = _summary(store).processes
    assert one.deviations is not None
    assert one.deviations.outside == (4,)


def test_charts_of_a_batch_with_uneven_hours_have_no_deviations(store: Store) -> None:
    """By the hour the groups are of several sizes, and one centre would be of none of them."""
    rng = random.Random(13)
    write_batch(store, [rng.gauss(3.5, 0.03) for _ in range(24)])
    found = process_of(quantities_of(_summary(store).units)[0], by_hour=True)
    assert found.means is not None
    assert len(set(found.groups)) > 1
    assert found.deviations is None


def test_an_uncertainty_larger_than_the_spread_is_said(store: Store) -> None:
    """U of 0.1 W beside a spread of 0.02 W."""
    rng = random.Random(5)
    write_batch(store, [rng.gauss(3.5, 0.02) for _ in range(30)])
    (one,) = _summary(store).processes
    assert "larger than the spread" in one.capability_sentence()


def test_a_bound_enters_no_capability_and_is_said_to_be_left_out(store: Store) -> None:
    """Two of twelve units with a bound only: ten values count, and the line of figures says so."""
    for at in range(12):
        run = a_run(at, f"M40-{at:04}")
        store.write_run(run, batch=BATCH)
        made = replace(power_row(run, 45.0 + at % 5, _FLOW_LIMITS), bound="at most" if at < 2 else "")
        store.write_check(run.run, 0, [made], [])
        store.write_end(run.run, outcome="done", bench_safe=True, bench_s=60.0, status=0)
    (one,) = _summary(store).processes
    assert (len(one.quantity.values), one.quantity.bounds, one.quantity.missing) == (10, 2, 0)
    assert "2 units with a bound only, left out" in capability_lines(one)[0]


def test_no_index_where_units_were_held_to_different_limits(store: Store) -> None:
    """Two units under other limits than eight: no capability, and why; nor from three values, nor where all are the same."""
    for at in range(10):
        run = a_run(at, f"M40-{at:04}")
        store.write_run(run, batch=BATCH)
        limits = _FLOW_LIMITS if at > 7 else None
        row = power_row(run, 3.5 + at / 100) if limits is None else power_row(run, 3.5 + at / 100, limits)
        store.write_check(run.run, 0, [row], [])
        store.write_end(run.run, outcome="done", bench_safe=True, bench_s=60.0, status=0)
    found = quantities_of(_summary(store).units)
    assert process_of(found[0]).why_not == "the units were not held to the same limits"


def test_the_hours_of_the_clock_make_groups_too(store: Store) -> None:
    """Ten units an hour: six points of ten units; the last units of a batch stand in a group of their own size."""
    write_batch(store, [3.5 + 0.01 * (at % 7) for at in range(55)])
    found = _summary(store, by_hour=True)
    assert found.processes[0].groups == (10, 10, 10, 10, 10, 5)
    assert found.counted.samples == (10, 10, 10, 10, 10, 5)
    assert found.counted.defects is None


def test_where_the_seconds_go_is_added_up_over_all_runs(store: Store) -> None:
    """Of each check its parts, and what is left is measuring; what runs took outside of checks stands by itself."""
    write_batch(store, [3.5] * 4)
    found = _summary(store).seconds
    (one,) = found.checks
    assert (
        one.check,
        one.runs,
        one.bench_s,
        one.settling_s,
        one.resting_s,
        one.person_s,
        one.measuring_s,
    ) == (
        "carrier_power",
        4,
        160.0,
        40.0,
        60.0,
        20.0,
        40.0,
    )
    assert (found.total_s, found.other_s, found.units_per_hour) == (240.0, 80.0, pytest.approx(60.0))


def test_a_batch_is_known_by_its_runs_alone(store: Store) -> None:
    """Runs that name a batch which nobody opened in this store: it is what its oldest run says of it."""
    store.write_run(a_run(3, "M40-0001"))
    store.write_run(a_run(1, "M40-0002"))
    found = find_record(BATCH.batch, store, StorePlace(path=Path("results.sqlite")))
    assert (found.sequence_hash, found.simulated, found.rules) == (BATCH.sequence_hash, False, "")
    assert record_of_runs("none", []) is None


@pytest.mark.parametrize("width", [24, 40, 80, 200])
def test_the_screen_holds_at_any_width_and_in_plain_characters(store: Store, width: int) -> None:
    """No escape sequence, no character beyond what an 8-bit terminal has, and charts no wider than the terminal (30 at the least)."""
    write_batch(store, [3.5 + 0.02 * (at % 5) + (0.6 if at == 33 else 0.0) for at in range(40)])
    lines = list(batch_lines(_summary(store), width=width, every=True))
    assert all(line.isprintable() for line in lines)
    text = "\n".join(lines)
    text.encode("latin-1")
    charts = [line for line in lines if re.search(r"\|[ .oX-]+$", line)]
    assert charts
    assert max(map(len, charts)) <= max(width, 34)
    assert "X" in "".join(charts)


def test_json_holds_no_number_that_json_has_not(store: Store) -> None:
    """Every figure is finite or null, and each sentence goes with its figures."""
    write_batch(store, [3.5 + 0.02 * (at % 5) for at in range(40)])
    plain = summary_as_plain(_summary(store))
    json.dumps(plain, allow_nan=False)
    assert plain["yield"]["first_pass"]["count"] == 40
    assert plain["quantities"][0]["capability"]["n"] == 40
    assert plain["quantities"][0]["charts_say"]


def test_a_chart_of_more_points_than_columns_shows_the_odd_one() -> None:
    """Two hundred points in forty columns: the one beyond its limit is drawn, not one of its neighbours."""
    counts = [4] * 200
    counts[117] = 30
    lines = chart_lines(count_chart(counts), width=48, shown=lambda value: f"{value:.0f}")
    assert max(map(len, lines)) <= 48
    assert "X" in lines[0]
    assert sum(line.count("X") for line in lines) == 1
