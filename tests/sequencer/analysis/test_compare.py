"""Units, dates and groups side by side."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from sequencer.analysis.compare import (
    ALIKE,
    CONNECTION_UNSTATED,
    DIFFERS,
    NO_VALUE,
    NOT_COMPARABLE,
    NOT_KNOWN,
    NOT_THERE,
    THE_FIRST,
    UNCERTAIN,
    Group,
    compare,
    group_runs,
)
from sequencer.analysis.estimates import differences, estimate_of, mean_of
from sequencer.cli.screens.comparison_screen import comparison_screen
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import connection
from sequencer.uncertainty.decision import GUARDED
from tests.support.stored_rows import (
    confirmation,
    level_budget,
    level_row,
    plain_row,
    power_budget,
    row,
    run_of,
)


def two(one, other, **allow):
    """Compare two results, each a group."""
    return compare([Group(name="A", rows=(one,)), Group(name="B", rows=(other,))], **allow).lines[0].cells


def test_values_without_budgets_score_as_printed():
    """E_n .530 and zeta 1.060 for 10.1 against 10.0 (u .08, .05); 1.47, 2.94 and "differs" for 10.5 (.15, .08); ISO 13528 examples, k = 2.

    At the coverage of 95.45 % that an expanded uncertainty is meant for, k is 2.00000.
    """
    for x, u_x, u_ref, e_n, zeta, statement in (
        (10.1, 0.08, 0.05, 0.530, 1.060, ALIKE),
        (10.5, 0.15, 0.08, 1.47, 2.94, DIFFERS),
    ):
        cell = two(plain_row(10.0, 2 * u_ref), plain_row(x, 2 * u_x))[1]
        assert cell.e_n == pytest.approx(e_n, abs=0.005)
        assert cell.zeta == pytest.approx(zeta, abs=0.005)
        assert cell.statement == statement


@given(st.floats(-150, 0), st.floats(-150, 0), st.floats(0.001, 9), st.floats(0.001, 9))
def test_the_order_of_two_turns_the_sign_only(one, other, u_one, u_other):
    """A against B is B against A with the sign turned, and E_n is half of zeta."""
    there = two(plain_row(one, u_one), plain_row(other, u_other))[1]
    back = two(plain_row(other, u_other), plain_row(one, u_one))[1]
    assert there.difference == -back.difference
    assert there.e_n == pytest.approx(-back.e_n, rel=1e-9)
    assert there.statement == back.statement
    assert there.e_n == pytest.approx(there.zeta / 2, rel=1e-4)


def test_what_the_bench_has_in_common_does_not_differ():
    """Two levels of one bench differ by the searches' uncertainty alone: generator and path cancel, and so does mismatch on one unit."""
    search = 0.3 / 1.95996  # a 95 % half-width
    mismatch = level_budget(-120.0).contributions[3].standard
    same_unit = two(level_row(-120.0), level_row(-119.0, run="run-2"))[1]
    other_unit = two(level_row(-120.0), level_row(-119.0, serial="M40-0011"))[1]
    assert same_unit.difference_expanded == pytest.approx(2 * math.sqrt(2) * search, rel=1e-4)
    assert other_unit.difference_expanded == pytest.approx(
        2 * math.sqrt(2) * math.hypot(search, mismatch), rel=1e-4
    )
    assert same_unit.statement == DIFFERS


def test_other_benches_or_instruments_share_nothing():
    """On another bench, or with another generator on the same, the difference carries both results' whole uncertainty."""
    whole = level_budget(-120.0).standard
    other_bench = compare(
        [
            Group(name="A", rows=(level_row(-120.0),)),
            Group(name="B", rows=(level_row(-119.0, bench_hash="cccc"),)),
        ]
    )
    swapped = compare(
        [
            Group(name="A", rows=(level_row(-120.0),), instruments={"run-1": "generator 1"}),
            Group(name="B", rows=(level_row(-119.0, run="run-2"),), instruments={"run-2": "generator 2"}),
        ]
    )
    for comparison in (other_bench, swapped):
        cell = comparison.lines[0].cells[1]
        assert cell.difference_expanded == pytest.approx(2 * math.sqrt(2) * whole, rel=1e-4)
        assert cell.statement == ALIKE
        assert comparison.lines[0].shared == ()
    assert any("other benches" in note for note in other_bench.notes)
    assert any("other instruments" in note for note in swapped.notes)


def test_shared_errors_of_unequal_size_cancel_to_their_difference():
    """A 3 % power meter leaves 3 % of the difference of two powers, as the model P (1 + e) of both says."""
    cell = two(
        row(4.0, unit="W", budget=power_budget(4.0, 0.01)), row(3.0, unit="W", budget=power_budget(3.0, 0.01))
    )[1]
    meter = 0.03 / math.sqrt(3) * (4.0 - 3.0)
    own = 0.01 * math.sqrt(2 / 3) / 2
    assert cell.zeta == pytest.approx(-1.0 / math.hypot(meter, own, own), rel=1e-9)


def test_few_readings_widen_the_difference():
    """Two powers known by four readings each have a difference with six degrees of freedom or so, not k = 2 (Welch-Satterthwaite: 6)."""
    budget = power_budget(3.0, 0.1)
    cell = two(row(3.0, unit="W", budget=budget), row(3.0, unit="W", budget=budget))[1]
    standard = 0.1 * math.sqrt(2 / 3) / 2 * math.sqrt(2)
    assert cell.difference_expanded / standard == pytest.approx(2.52, abs=0.005)  # GUM table G.2, 95.45 %, 6


def test_readings_that_agreed_to_the_last_digit_share_nothing():
    """A stored budget whose only own part is nought would leave a difference without uncertainty; such results count in full."""
    budget = power_budget(3.0, 0.0)
    parts = tuple(replace(one, stated=0.0) if one.common == "none" else one for one in budget.contributions)
    still = row(3.0, unit="W", budget=replace(budget, contributions=parts))
    cell = two(still, replace(still, value=3.001, run="run-2"))[1]
    assert cell.statement == ALIKE
    assert cell.difference_expanded == pytest.approx(2 * math.sqrt(2) * 0.09 / math.sqrt(3), rel=1e-4)


def connected(value: float, standard_db: float, *, dof: float = math.inf) -> Budget:
    """Return the budget of a level with what making the connection anew may change."""
    budget = level_budget(value)
    part = connection("receive path, connection made anew", standard_db, dof=dof)
    return replace(budget, contributions=(*budget.contributions, part))


def test_a_connection_made_anew_counts_between_runs_and_not_within_one():
    """Its variance enters the difference of two runs twice, of the same unit too; in two results of one run it is the same error."""
    search = 0.3 / 1.95996
    first = row(-120.0, budget=connected(-120.0, 0.4))
    other_run = two(first, row(-119.0, budget=connected(-119.0, 0.4), run="run-2"))[1]
    assert other_run.difference_expanded == pytest.approx(
        2 * math.sqrt(2) * math.hypot(search, 0.4), rel=1e-4
    )
    assert other_run.statement == ALIKE
    same_run = differences([estimate_of(first), estimate_of(row(-119.0, budget=connected(-119.0, 0.4)))])
    assert same_run.expanded[0, 1] == pytest.approx(2 * math.sqrt(2) * search, rel=1e-4)


def test_connections_made_anew_average_out_over_runs():
    """The mean of nine runs has a ninth of the connection's variance: each was made anew (law of propagation, GUM 5.1.2)."""
    runs = [estimate_of(row(-120.0, budget=connected(-120.0, 3.0), run=f"run-{at}")) for at in range(9)]
    search, bench = 0.3 / 1.95996, sum(one.standard**2 for one in level_budget(-120.0).contributions[1:])
    assert mean_of(runs).standard == pytest.approx(math.sqrt((search**2 + 9.0) / 9 + bench), rel=1e-4)


@pytest.mark.parametrize("stored_before", [False, True])
def test_a_connection_nobody_stated_is_not_nought(stored_before):
    """A difference beyond what is stated is not called one, and has no U; a smaller one is no significant difference all the same.

    Likewise where a budget was stored before connections were asked for.
    """

    def unstated(value, run):
        found = row(
            value, budget=replace(level_budget(value), unstated_connections=("paths.receive.x",)), run=run
        )
        if stored_before:
            assert found.budget is not None
            found = replace(found, budget=replace(found.budget, unstated_connections=None))
        return found

    near, far = (
        two(unstated(-120.0, "1"), unstated(-119.7, "2"))[1],
        two(unstated(-120.0, "1"), unstated(-119.0, "2"))[1],
    )
    assert (near.statement, far.statement) == (ALIKE, CONNECTION_UNSTATED)
    assert (far.difference, far.difference_expanded, far.e_n, far.zeta) == (1.0, None, None, None)
    assert far.place == 2  # the numbers go by what is stated, and the notes say so
    comparison = compare(
        [Group(name="A", rows=(unstated(-120.0, "1"),)), Group(name="B", rows=(unstated(-119.0, "2"),))]
    )
    assert any("Where connection repeatability is not stated" in note for note in comparison.notes)


@pytest.mark.parametrize(("apart_db", "statement"), [(0.1, ALIKE), (5.0, NOT_KNOWN)])
def test_a_budget_from_before_is_not_taken_for_one_that_states_all(apart_db, statement):
    """Stored before budgets kept what is not stated: its U is shown as it was, and what a larger difference means is not known."""

    def before(value, run):
        found = row(value, budget=level_budget(value), run=run)
        assert found.budget is not None
        budget = replace(found.budget, unstated=None, unstated_connections=None)
        return replace(found, budget=budget)

    old, new = before(-120.0, "1"), row(-120.0 + apart_db, budget=level_budget(-120.0 + apart_db), run="2")
    for pair in ((old, new), (new, old)):
        cell = two(*pair)[1]
        assert cell.statement == statement
        assert (cell.difference_expanded, cell.e_n, cell.place) == (None, None, None)
    assert two(old, new)[0].expanded == old.uncertainty
    groups = [Group(name="A", rows=(old,)), Group(name="B", rows=(new,))]
    notes = compare(groups).notes
    assert any("what was not stated counted as zero" in note for note in notes) == (statement == NOT_KNOWN)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"supply_v": 12.0}, "supply 12 V"),
        ({"confirmations": ()}, "conditions"),
        ({"sequence_hash": "dddd"}, "tone"),
        ({"frequency_hz": 27_215_000.0}, "frequency"),
        ({"simulated": True}, "one is simulated"),
        ({"unit": "dBuV emf"}, "unit of measure"),
    ],
)
def test_what_was_found_under_other_conditions_is_not_compared(change, words):
    """Other supply, confirmation, sequence, frequency, unit, or a simulation: the line says which, and gives no difference."""
    cell = two(level_row(-120.0), level_row(-119.0, **change))[1]
    assert cell.statement == NOT_COMPARABLE
    assert words in cell.reason
    assert (cell.difference, cell.e_n, cell.place) == (None, None, None)


def test_how_a_person_confirmed_is_no_condition():
    """Confirmed at the terminal or beforehand is the same condition."""
    cell = two(
        level_row(-120.0),
        level_row(
            -119.0, confirmations=(confirmation("squelch open", how="stated beforehand with --confirmed"),)
        ),
    )[1]
    assert cell.statement == DIFFERS


def test_a_person_may_declare_sequences_alike():
    """With sequences allowed, results of two sequences are compared, and the notes say that it was asked for."""
    groups = [
        Group(name="A", rows=(level_row(-120.0),)),
        Group(name="B", rows=(level_row(-119.0, sequence_hash="dddd"),)),
    ]
    comparison = compare(groups, allow=["sequence"])
    assert comparison.lines[0].cells[1].statement == DIFFERS
    assert any("on request" in note for note in comparison.notes)


@pytest.mark.parametrize(
    ("first", "second", "statement"),
    [
        (
            {"settings": {"tone_hz": 1000.0}},
            {"settings": {"tone_hz": 1000.0}, "sequence_hash": "dddd"},
            DIFFERS,
        ),
        ({"settings": {"tone_hz": 1000.0}}, {"settings": {"tone_hz": 400.0}}, NOT_COMPARABLE),
        ({"settings": {"tone_hz": 1000.0}}, {"settings": None}, DIFFERS),
        ({"settings": {"tone_hz": 1000.0}}, {"settings": None, "sequence_hash": "dddd"}, NOT_COMPARABLE),
        ({"settings": {"tone_hz": 1000.0}}, {"settings": {"tone_hz": 1000.0, "new": 1}}, DIFFERS),
        (
            {"settings": {"tone_hz": 1000.0}},
            {"settings": {"tone_hz": 1000.0, "new": 1}, "sequence_hash": "dddd"},
            NOT_COMPARABLE,
        ),
    ],
)
def test_settings_in_the_rows_say_more_than_the_sequences_hash(first, second, statement):
    """Rows that carry their own settings are compared by these; where one does not, or lacks one, the sequence decides."""
    for one, other in ((first, second), (second, first)):
        assert two(level_row(-120.0, **one), level_row(-119.0, **other))[1].statement == statement


def test_settings_that_differ_are_named():
    """The reason names the settings that differ, and not those that are the same."""
    cell = two(
        level_row(-120.0, settings={"tone_hz": 1000.0, "deviation_hz": 1200.0}),
        level_row(-119.0, settings={"tone_hz": 400.0, "deviation_hz": 1200.0}),
    )[1]
    assert "tone_hz 1000.0 against 400.0" in cell.reason
    assert "deviation" not in cell.reason


def test_another_rule_is_told_and_compared():
    """Another decision rule changes the decision and not the value: both are compared and the notes name the rules."""
    groups = [
        Group(name="A", rows=(level_row(-120.0),)),
        Group(name="B", rows=(level_row(-119.0, rule=GUARDED),)),
    ]
    comparison = compare(groups)
    assert comparison.lines[0].cells[1].statement == DIFFERS
    assert any("guarded (w = U)" in note for note in comparison.notes)


def test_what_is_missing_is_named_and_the_next_value_is_the_first():
    """Not measured is told apart from no such result, and the first value that is there is what others are held against."""
    groups = [
        Group(name="A", rows=(row(None, note="never reached"),)),
        Group(name="B", rows=(level_row(-120.0),)),
        Group(name="C", rows=(level_row(-119.0, serial="M40-0011"),)),
        Group(name="D", rows=()),
    ]
    cells = compare(groups).lines[0].cells
    assert [cell.statement for cell in cells] == [NO_VALUE, THE_FIRST, DIFFERS, NOT_THERE]
    assert cells[0].reason == "never reached"
    assert cells[2].difference == pytest.approx(1.0)


def test_without_a_stated_uncertainty_nothing_is_judged():
    """A result without any uncertainty has a difference and no statement about it, and no place."""
    for cells in (
        two(plain_row(1.0, None), plain_row(2.0, 0.1)),
        two(plain_row(1.0, 0.1), plain_row(2.0, math.inf)),
    ):
        assert cells[1].statement == UNCERTAIN
        assert cells[1].difference == pytest.approx(1.0)
        assert cells[1].place is None


def test_places_are_shared_where_the_results_cannot_separate():
    """Of 0, 1, 2 and 9, each ± 0.9 (so that 1.27 separates), 0 and 1 share a place, 1 and 2 are tied, 2 is behind 0, and 9 is last."""
    groups = [
        Group(name=name, rows=(plain_row(value, 0.9),))
        for name, value in (("d", 9.0), ("b", 1.0), ("a", 0.0), ("c", 2.0))
    ]
    places = {cell.group: (cell.place, cell.tied_with) for cell in compare(groups).lines[0].cells}
    assert places == {"a": (1, ("b",)), "b": (1, ("a", "c")), "c": (2, ("b",)), "d": (4, ())}


@pytest.mark.parametrize(
    ("limits", "order", "first"),
    [
        ({"upper_limit": -113.0}, "best first: lowest", "A"),
        ({"lower_limit": -130.0}, "best first: highest", "B"),
        (
            {"lower_limit": -130.0, "upper_limit": -107.0},
            "best first: nearest to -118.5 dBm, the middle of the limits",
            "B",
        ),
        (
            {"lower_limit": -130.0, "upper_limit": -107.0, "nominal": -119.5},
            "best first: nearest to -119.5 dBm, the nominal value",
            "A",
        ),
        ({}, "lowest first", "A"),
    ],
)
def test_the_order_is_what_the_limit_asks(limits, order, first):
    """Under an upper limit the lowest is best, over a lower one the highest; between both what is nearest to nominal, which is the
    middle where none is stated; without a limit nobody is called best. The notes say so."""
    groups = [
        Group(name=name, rows=(plain_row(value, 0.1, **limits),))
        for name, value in (("A", -120.0), ("B", -118.0))
    ]
    comparison = compare(groups)
    (line,) = comparison.lines
    assert line.order == order
    assert [cell.group for cell in line.cells if cell.place == 1] == [first]
    assert sorted(cell.place for cell in line.cells) == [1, 2]
    assert any("lowest under an upper limit" in note for note in comparison.notes)


def test_both_sides_of_nominal_are_told_apart_by_their_distance():
    """Of -2, +1 and +6 about 0, each ± 0.5 (so that 0.71 separates), +1 is best, then -2, then +6: not the lowest first."""
    limits = {"lower_limit": -10.0, "upper_limit": 10.0}
    groups = [
        Group(name=name, rows=(plain_row(value, 0.5, **limits),))
        for name, value in (("far", 6.0), ("low", -2.0), ("near", 1.0))
    ]
    assert {cell.group: cell.place for cell in compare(groups).lines[0].cells} == {
        "near": 1,
        "low": 2,
        "far": 3,
    }


def _level_at(value, serial):
    return replace(level_row(value, serial=serial), lower_limit=-82.0, upper_limit=-62.0, nominal=-72.0)


def test_an_error_that_two_results_share_separates_no_two_sides_of_nominal():
    """Of one bench, -74.0 and -74.7 dBm differ by more than what is not common to them. -70.0 and -74.7 may both be 2.35 dB from nominal:
    a common error of 0.35 dB moves one nearer and the other farther, as the sign of the error in each |x - nominal| says.
    """
    one, other, across = (_level_at(-74.0, "A"), _level_at(-74.7, "B"), _level_at(-70.0, "C"))

    def places(*rows):
        groups = [Group(name=row.serial, rows=(row,)) for row in rows]
        return [cell.place for cell in compare(groups).lines[0].cells]

    assert places(one, other) == [1, 2]
    assert places(across, other) == [1, 1]


def test_limits_that_are_not_the_same_ask_for_no_order():
    """Where one group has an upper limit and another a lower one, or two groups have two middles, nothing is best."""
    apart = [{"lower_limit": -130.0, "upper_limit": -110.0}, {"lower_limit": -128.0, "upper_limit": -110.0}]
    groups = [
        Group(name=str(at), rows=(plain_row(-120.0, 0.1, **limits),)) for at, limits in enumerate(apart)
    ]
    assert compare(groups).lines[0].order == "lowest first"
    one, other = plain_row(-120.0, 0.1, upper_limit=-113.0), plain_row(-118.0, 0.1, lower_limit=-130.0)
    groups = [Group(name="A", rows=(one,)), Group(name="B", rows=(other,))]
    assert compare(groups).lines[0].order == "lowest first"


@given(st.lists(st.tuples(st.floats(-10, 10), st.floats(0.01, 5)), min_size=2, max_size=8), st.randoms())
def test_places_do_not_depend_on_the_order_of_the_groups(results, chance):
    """However the groups are laid, each keeps its place."""
    groups = [Group(name=str(at), rows=(plain_row(value, u),)) for at, (value, u) in enumerate(results)]
    before = {cell.group: cell.place for cell in compare(groups).lines[0].cells}
    chance.shuffle(groups)
    after = {cell.group: cell.place for cell in compare(groups).lines[0].cells}
    assert before == after


def test_a_group_of_results_is_their_mean_and_its_scatter_counts():
    """Three results of ± 0.02 that lie 1 apart: their mean is as doubtful as s / sqrt(3) on two degrees of freedom (t 4.53)."""
    members = [plain_row(value, 0.02, run=f"run-{value}") for value in (1.0, 2.0, 3.0)]
    cell = (
        compare([Group(name="A", rows=tuple(members)), Group(name="B", rows=(plain_row(2.0, 0.02),))])
        .lines[0]
        .cells[0]
    )
    assert (cell.value, cell.count) == (2.0, 3)
    assert cell.expanded == pytest.approx(4.53 / math.sqrt(3), abs=0.005)


def test_shared_errors_do_not_average_out():
    """The mean of a hundred levels of one bench is no better known than its generator and path."""
    many = mean_of([estimate_of(level_row(-120.0)) for _ in range(100)])
    bench = math.sqrt(sum(part.standard**2 for part in level_budget(-120.0).contributions[1:]))
    assert many.standard == pytest.approx(bench, rel=0.01)


def test_a_check_done_again_counts_once():
    """Of two results of one quantity in one run the later counts, and one that is marked as not counting does not."""
    again = Group(name="A", rows=(level_row(-110.0), level_row(-120.0)))
    marked = Group(
        name="B", rows=(level_row(-120.0, run="run-2"), level_row(-90.0, run="run-2", replaced_by="run-3"))
    )
    cells = compare([again, marked]).lines[0].cells
    assert [cell.value for cell in cells] == [-120.0, -120.0]


def test_lines_stand_in_the_order_of_the_checks_and_without_confirmations():
    """Lines follow the order in which the checks ran; what a person confirmed is a condition, not a line."""
    rows = (
        row(1.0, check="confirm", unit="", quantity="confirmed: squelch open"),
        row(3.7, check="carrier_power", quantity="carrier power", unit="W", check_index=1),
        level_row(-120.0, check_index=2),
    )
    lines = compare([Group(name="A", rows=rows), Group(name="B", rows=rows)]).lines
    assert [line.check for line in lines] == ["carrier_power", "sensitivity"]


def test_many_comparisons_warn_of_chance():
    """With forty differences the notes say that about two would be called different by chance."""
    groups = [Group(name=str(at), rows=(plain_row(float(at), 1.0),)) for at in range(41)]
    assert any("about 2 of them" in note for note in compare(groups).notes)


def test_runs_are_grouped_by_what_is_asked():
    """Runs go into groups by unit, date and so on, in the order of their first run; an unknown grouping names those there are."""
    runs = [
        run_of([], run="1", serial="B"),
        run_of([], run="2", serial="A"),
        run_of([], run="3", serial="B", time="2026-04-01T10:00:00+00:00"),
    ]
    assert [group.name for group in group_runs(runs)] == ["B", "A"]
    assert [group.name for group in group_runs(runs, "date")] == ["2026-03-02", "2026-04-01"]
    with pytest.raises(ValueError, match="there are unit, run, date, model, bench, sequence"):
        group_runs(runs, "colour")


@pytest.mark.parametrize(
    ("names", "allow", "text"),
    [
        (["A"], [], "two groups or more"),
        (["A", "A"], [], "called 'A'"),
        (["A", "B"], ["tone"], "only sequence"),
    ],
)
def test_a_comparison_that_makes_no_sense_says_why(names, allow, text):
    """One group, two of one name, an unknown condition: each is refused."""
    with pytest.raises(ValueError, match=text):
        compare([Group(name=name, rows=()) for name in names], allow=allow)


def test_a_comparison_survives_json():
    """As plain values a comparison is JSON, an infinite E_n a word."""
    comparison = compare(
        [Group(name="A", rows=(plain_row(1.0, 0.0),)), Group(name="B", rows=(plain_row(2.0, 0.0),))]
    )
    again = json.loads(json.dumps(comparison.as_plain(), allow_nan=False))
    assert again["lines"][0]["cells"][1]["e_n"] == "infinite"
    assert again["lines"][0]["cells"][1]["statement"] == DIFFERS


def test_the_screen_shows_values_differences_and_words():
    """On the screen stand value, difference, E_n, the words and the order; nothing that a terminal could act on."""
    console = Console(width=120, record=True, file=io.StringIO())
    groups = [Group(name="A\x1b[2J", rows=(level_row(-120.0),)), Group(name="B", rows=(level_row(-119.0),))]
    console.print(comparison_screen(compare(groups)))
    shown = console.export_text()
    for words in (
        "(−120.00 ± ",
        "(1.00 ± 0.43) dB",
        "2.31",
        DIFFERS,
        "A\\x1b[2J",
        "generator, level accuracy",
        "FM (numbered lowest first)",
    ):
        assert words in shown
    assert "place" not in shown
    assert "\x1b" not in shown


def test_what_was_left_is_compared_and_what_was_found_is_not():
    """Of a unit that was adjusted the result as left counts, whichever row comes last."""
    found, left = plain_row(3.0, 0.1, stage="as found"), plain_row(3.8, 0.1, stage="as left")
    for pair in ((found, left), (left, found)):
        other = Group(name="B", rows=(plain_row(3.8, 0.1),))
        cells = compare([Group(name="A", rows=pair), other]).lines[0].cells
        assert [cell.value for cell in cells] == [3.8, 3.8]


def test_a_bound_is_compared_with_nothing_and_says_so():
    """A group whose value is a bound has no value in the line, and the reason holds the bound."""
    hidden = row(18.5e-9, unit="W", uncertainty=4.8e-9, bound="at most", note="the noise hides the rest")
    seen = row(20.5e-9, unit="W", uncertainty=1e-9)
    cells = two(hidden, seen)
    assert [cell.value for cell in cells] == [None, 20.5e-9]
    assert cells[0].reason == (
        "at most (18.5 ± 4.8) nW is a bound, and no measured value; the noise hides the rest"
    )
    assert cells[1].difference is None
