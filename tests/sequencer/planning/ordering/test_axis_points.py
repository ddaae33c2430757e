"""Conditions as axes in the plan: which points there are, in which order, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import load_model
from sequencer.planning.ordering.axis_points import FED_ANEW_S
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems

HEAD = "sequence: Test\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 10.8 V, max: 15.6 V}\nchecks:\n"
POWER = "  - {check: carrier_power, at: {channel: [1, 20], supply: [13.2 V, 10.8 V]}}\n"
COUNT = "  - {check: frequency_error, at: {supply: [10.8 V, 13.2 V]}, channel: 20}\n"


def _plan(folder: Path, text: str, **asked: str) -> Plan:
    (folder / "s.yaml").write_text(HEAD + text, encoding="utf-8")
    return make_plan(load_sequence(str(folder / "s.yaml")), load_bench("sim/bench.yaml"), **asked)  # type: ignore[arg-type]


def _made(plan: Plan) -> list[tuple[str, float | None, int | None, str]]:
    return [
        (step.check.name, step.conditions.supply_v, step.conditions.channel, step.conditions.mode)
        for step in plan.steps
    ]


def test_each_point_is_a_step_and_the_supply_changes_least_often(tmp_path: Path) -> None:
    """Every combination once; within a check the supply is set twice, not four times, and values come in the file's order."""
    assert _made(_plan(tmp_path, POWER)) == [
        ("carrier_power", 13.2, 1, "FM"),
        ("carrier_power", 13.2, 20, "FM"),
        ("carrier_power", 10.8, 1, "FM"),
        ("carrier_power", 10.8, 20, "FM"),
    ]


def test_checks_one_after_the_other_share_what_settles_slowly(tmp_path: Path) -> None:
    """Both checks are made at one supply before the next is set; each step keeps the number that it has in the file."""
    plan = _plan(tmp_path, POWER + COUNT)
    assert [step.conditions.supply_v for step in plan.steps] == [13.2, 13.2, 13.2, 10.8, 10.8, 10.8]
    assert [step.index for step in plan.steps] == [0, 1, 5, 2, 3, 4]


def test_nothing_passes_a_check_without_axes(tmp_path: Path) -> None:
    """What stands between two such checks stays there, at the sequence's own supply."""
    plan = _plan(tmp_path, POWER + "  - {check: sensitivity, channel: 20}\n" + COUNT)
    assert [step.index for step in plan.steps] == list(range(7))
    assert plan.steps[4].conditions.supply_v == 13.2


def test_modes_are_an_axis(tmp_path: Path) -> None:
    """A mode changes less often than a channel, and the settings of each point say it, as checks read it there."""
    text = "  - {check: carrier_power, at: {channel: [1, 20], mode: [FM, AM]}}\n"
    plan = _plan(tmp_path, text)
    assert _made(plan)[1:3] == [("carrier_power", 13.2, 20, "FM"), ("carrier_power", 13.2, 1, "AM")]
    assert [step.settings.mode for step in plan.steps] == ["FM", "FM", "AM", "AM"]
    assert plan.steps[2].label == "carrier power, AM, channel 1"


def test_the_forecast_holds_the_settling(tmp_path: Path) -> None:
    """Another supply costs at least the half second that a unit takes to follow; one that stands costs nothing."""
    one = _plan(tmp_path, "  - {check: frequency_error, channel: 20, at: {supply: [13.2 V]}}\n").forecast_s
    other = _plan(tmp_path, "  - {check: frequency_error, channel: 20, at: {supply: [10.8 V]}}\n").forecast_s
    assert 0.5 < other - one < 1.0


def _slow(folder: Path, bench: str) -> str:
    """A bench whose supply says of itself that it takes two seconds to stand."""
    text = (
        Path(f"sim/{bench}.yaml")
        .read_text(encoding="utf-8")
        .replace("  supply:\n", "  supply:\n    settle: 2 s\n")
    )
    units = Path("sim/units").resolve()
    (folder / f"{bench}.yaml").write_text(text.replace("unit: units ", f"unit: {units} "), encoding="utf-8")
    return str(folder / f"{bench}.yaml")


def test_the_forecast_holds_what_the_supply_takes_itself(tmp_path: Path) -> None:
    """A supply of 2 s is waited for twice: where it is switched off and fed anew. In the chamber the soak comes before that."""
    slow_bench = _slow(tmp_path, "bench")

    def takes_s(supply: str, bench: str) -> float:
        text = f"  - {{check: frequency_error, channel: 20, at: {{supply: [{supply}]}}}}\n"
        return _in_chamber(tmp_path, text, head=HEAD, bench=bench).steps[0].forecast_s

    as_fed_s = takes_s("13.2 V", slow_bench)
    # where the bench says nothing the supply stands at once
    assert takes_s("10.8 V", "sim/bench.yaml") - takes_s("13.2 V", "sim/bench.yaml") == pytest.approx(
        FED_ANEW_S
    )
    assert takes_s("10.8 V", slow_bench) - as_fed_s == pytest.approx(FED_ANEW_S + 4.0)
    soaked = "  - {check: frequency_error, channel: 20, at: {temperature: [20 degC]}}\n"
    plan = _in_chamber(tmp_path, soaked, bench=_slow(tmp_path, "chamber-bench"))
    assert plan.steps[0].forecast_s - as_fed_s == pytest.approx(85 * 60.0 + FED_ANEW_S + 4.0)


def test_a_point_says_what_is_an_axis_and_no_more(tmp_path: Path) -> None:
    """The channel of a check whose channels are no axis is its own, not its point's; a check without axes has none."""
    plan = _plan(tmp_path, POWER + COUNT + "  - {check: sensitivity, channel: 20}\n")
    points = {step.index: step.point for step in plan.steps}
    assert [None if (point := points[index]) is None else point.channel for index in range(7)] == [
        1,
        20,
        1,
        20,
        None,
        None,
        None,
    ]
    assert points[6] is None
    assert points[4] is not None


@pytest.mark.parametrize("order", ["written", "quickest"])
def test_points_share_no_key_down_across_supplies(tmp_path: Path, order: str) -> None:
    """Two checks on one channel share a key-down at one supply; a supply is never changed within one."""
    text = (
        "  - {check: carrier_power, channel: 20, at: {supply: [10.8 V, 13.2 V]}}\n"
        "  - {check: frequency_error, channel: 20, at: {supply: [10.8 V, 13.2 V]}}\n"
    )
    plan = _plan(tmp_path, text, order=order)
    assert [[step.index for step in part] for part in plan.parts] == [[0, 2], [1, 3]]


def test_a_channel_of_the_model_may_stand_there(tmp_path: Path) -> None:
    """low, middle and high are the model's channels there as beside 'channel'; what the model is rated for holds."""
    text = "sequence: T\nmodel: M40\nchecks:\n  - {check: carrier_power, at: {channel: [low, high], supply: [10.8 V]}}\n"
    (tmp_path / "s.yaml").write_text(text, encoding="utf-8")
    plan = make_plan(load_sequence(str(tmp_path / "s.yaml")), load_bench("sim/bench.yaml"))
    assert [step.conditions.channel for step in plan.steps[1:]] == [1, 40]  # after the model's own settings


@pytest.mark.parametrize(
    ("text", "there", "said"),
    [
        ("at: {}", "{}", "no axis stands there"),
        ("at: {supply: []}", "[]", "the list is empty"),
        ("at: {supply: [10.8 V, 10800 mV]}", "10800", "the same value stands there twice"),
        ("at: {supply: [10.8]}", "10.8", "'10.8' has no unit"),
        ("at: {supply: 10.8 V}", "10.8", "'10.8 V' is not allowed here"),
        ("at: {voltage: [10.8 V]}", "voltage", "unknown key 'voltage'"),
        ("at: {channel: [1, 41]}", "41", "channel 41 is not in the plan"),
        ("at: {channel: [1]}, channel: 20", "channel: 20", "'channel' stands here and in 'at'"),
        ("at: {mode: [FM]}, mode: FM", "mode: FM", "'mode' stands here and in 'at'"),
        ("at: {mode: [FM, USB]}, channel: 20", "frequency_error", "frequency_error is not for USB"),
        ("at: {supply: [10.8 V, 15.8 V]}", "15.8", "the unit is not rated for 15.8 V"),
        ("at: {supply: [16.5 V]}", "16.5", "16.5 V is above max_voltage of supply"),
    ],
)
def test_a_wrong_axis_is_refused_at_its_place(tmp_path: Path, text: str, there: str, said: str) -> None:
    """Line and column of the value, what is wrong with it, and what is allowed."""
    line = f"  - {{check: frequency_error, {text}}}"
    with pytest.raises(FileProblems) as refused:
        _plan(tmp_path, f"{line}\n")
    told = str(refused.value)
    assert f"s.yaml:7:{line.index(there) + 1}: {said}" in told
    assert "allowed" in told


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (
            "{check: power_against_supply, channel: 20, supplies: [12 V], at: {supply: [12 V]}}",
            "power_against_supply goes through its own supply",
        ),
        ("{check: channel_sweep, at: {channel: [1, 20]}}", "channel_sweep goes to channels by itself"),
        ("{check: confirm, text: knobs, at: {supply: [12 V]}}", "confirm measures no unit by itself"),
    ],
)
def test_an_axis_that_a_check_sees_to_itself_is_refused(tmp_path: Path, check: str, said: str) -> None:
    """A check that goes through supplies or channels itself is not repeated over them; one that measures nothing over none."""
    with pytest.raises(FileProblems) as refused:
        _plan(tmp_path, f"  - {check}\n")
    assert said in str(refused.value)
    assert "s.yaml:7:" in str(refused.value)


def test_supplies_of_a_check_of_its_own_are_proved_in_the_same_way(tmp_path: Path) -> None:
    """What the unit is rated for holds for the voltages that power_against_supply feeds it with, each at its place."""
    with pytest.raises(FileProblems) as refused:
        _plan(tmp_path, "  - {check: power_against_supply, channel: 20, supplies: [12 V, 9 V]}\n")
    assert "s.yaml:7:65: the unit is not rated for 9 V" in str(refused.value)


def test_without_a_supply_on_the_bench_no_supply_is_an_axis(tmp_path: Path) -> None:
    """The bench file's text without its supply: said of the axis, by name of the bench."""
    bench = (Path("sim") / "bench.yaml").read_text(encoding="utf-8")
    begin, end = bench.index("  supply:\n"), bench.index("  switch:")
    (tmp_path / "bench.yaml").write_text(bench[:begin] + bench[end:], encoding="utf-8")
    (tmp_path / "s.yaml").write_text(HEAD.replace("supply: 13.2 V\n", "") + COUNT, encoding="utf-8")
    with pytest.raises(
        FileProblems, match=r"10\.8 V is asked for and bench 'Demonstration bench' has no supply"
    ):
        make_plan(load_sequence(str(tmp_path / "s.yaml")), load_bench(str(tmp_path / "bench.yaml")))


def test_limits_that_differ_from_mode_to_mode_are_not_one(tmp_path: Path) -> None:
    """The model states another limit in one of the modes: which of them holds cannot be said for a check over both."""
    text = (
        "sequence: T\nmodel: MX40\nchecks:\n  - {check: carrier_power, at: {mode: [FM, USB]}, drive: 5 mV}\n"
    )
    (tmp_path / "s.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match="has limits of carrier_power that differ from mode to mode"):
        load_sequence(str(tmp_path / "s.yaml"))


CHAMBER_HEAD = HEAD.replace("checks:", "rated_temperature: {min: -10 degC, max: 55 degC}\nchecks:")
COLD = "  - {check: carrier_power, channel: 20, at: {temperature: [20 degC, -10 degC]}}\n"
COUNTED = (
    "  - {check: frequency_error, channel: 20, at: {temperature: [-10 degC, 20 degC], supply: [10.8 V]}}\n"
)


def _in_chamber(folder: Path, text: str, *, head: str = CHAMBER_HEAD, bench: str = "chamber-bench") -> Plan:
    (folder / "s.yaml").write_text(head + text, encoding="utf-8")
    return make_plan(load_sequence(str(folder / "s.yaml")), load_bench(bench))


def test_all_checks_are_made_at_one_temperature_before_the_next_is_set(tmp_path: Path) -> None:
    """Two soaks for two checks: the first check's order of temperatures holds for both, and results keep the file's numbers."""
    plan = _in_chamber(tmp_path, COLD + COUNTED)
    made = [(step.conditions.temperature_c, step.check.name, step.index) for step in plan.steps]
    assert made == [
        (20.0, "carrier_power", 0),
        (20.0, "frequency_error", 3),
        (-10.0, "carrier_power", 1),
        (-10.0, "frequency_error", 2),
    ]


def test_the_forecast_holds_a_soak_for_each_temperature(tmp_path: Path) -> None:
    """An hour, and the 25 min that the bench file says the unit takes to get there, twice; not four times."""
    plan = _in_chamber(tmp_path, COLD + COUNTED)
    assert abs(plan.forecast_s - 2 * 85 * 60.0) < 30.0


@pytest.mark.parametrize(
    ("text", "there", "said", "head", "bench"),
    [
        ("[70 degC]", "70", "the unit is not rated for 70 °C", CHAMBER_HEAD, "chamber-bench"),
        (
            "[20 degC]",
            "20",
            "nothing says at which temperatures the unit may be measured",
            HEAD,
            "chamber-bench",
        ),
        ("[20 degC]", "20", "bench 'Demonstration bench' has no chamber", CHAMBER_HEAD, "bench"),
        (
            "[20 degC, 85 degC]",
            "85",
            "85 °C is outside what chamber may be set to",
            CHAMBER_HEAD.replace("55", "90"),
            "chamber-bench",
        ),
        ("[20]", "20", "'20' has no unit", CHAMBER_HEAD, "chamber-bench"),
        ("[300 degC]", "300", "300 °C", CHAMBER_HEAD, "chamber-bench"),
    ],
)
def test_a_temperature_that_unit_or_bench_do_not_bear_is_refused(
    tmp_path: Path, text: str, there: str, said: str, head: str, bench: str
) -> None:
    """At line and column of the value, in words."""
    line = f"  - {{check: carrier_power, channel: 1, at: {{temperature: {text}}}}}"
    with pytest.raises(FileProblems) as refused:
        _in_chamber(tmp_path, f"{line}\n", head=head, bench=bench)
    told = str(refused.value)
    assert said in told
    assert f"s.yaml:{head.count(chr(10)) + 1}:{line.index(there) + 1}: " in told


def test_a_check_behind_those_in_the_chamber_says_its_temperature(tmp_path: Path) -> None:
    """The unit is as warm as the last one left it; before them it stands in the room."""
    plain = "  - {check: sensitivity, channel: 20}\n"
    assert _in_chamber(tmp_path, plain + COLD).steps
    with pytest.raises(FileProblems, match="sensitivity stands behind checks at temperatures of their own"):
        _in_chamber(tmp_path, COLD + plain)


def test_a_rated_range_that_is_upside_down_is_refused(tmp_path: Path) -> None:
    """At its place, with what is allowed."""
    head = CHAMBER_HEAD.replace("max: 55 degC", "max: -20 degC")
    with pytest.raises(FileProblems, match="max is below min"):
        _in_chamber(tmp_path, COLD, head=head)


@pytest.mark.parametrize("supply", ["10 V", "16 V"])
def test_the_units_own_supply_is_refused_where_it_is_not_rated_for_it(tmp_path: Path, supply: str) -> None:
    """At its place, also where `at` feeds the unit rightly: the sequence's supply comes back after that."""
    text = HEAD.replace("supply: 13.2 V", f"supply: {supply}", 1) + POWER
    (tmp_path / "s.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems) as refused:
        make_plan(load_sequence(str(tmp_path / "s.yaml")), load_bench("sim/bench.yaml"))
    (one,) = refused.value.complaints
    assert one.line == 4
    assert f"the unit is not rated for {supply}" in one.message
    assert one.allowed == "10.8 to 15.6 V"


@pytest.mark.parametrize(
    ("check", "said"),
    [
        ("{check: power_against_supply, channel: 20, supplies: [13.2 V, 13.2 V]}", "stands there twice"),
        ("{check: power_against_supply, channel: 20, supplies: [10.8 V, 10.8001 V]}", "too near each other"),
        ("{check: carrier_power, channel: 20, at: {supply: [13.2 V, 13.2001 V]}}", "too near each other"),
        (
            "{check: carrier_power, channel: 20, at: {temperature: [20 degC, 20.04 degC]}}",
            "too near each other",
        ),
    ],
)
def test_values_that_cannot_be_told_apart_are_refused(tmp_path: Path, check: str, said: str) -> None:
    """Their results would have one name."""
    with pytest.raises(FileProblems) as refused:
        _plan(tmp_path, f"  - {check}\n")
    assert any(said in one.message for one in refused.value.complaints)


def test_temperatures_nearer_than_the_chamber_holds_them_are_refused(tmp_path: Path) -> None:
    """20 and 21 °C are one temperature to a chamber with a tolerance of 2 °C; 20 and 25 °C are not."""
    head = HEAD.replace("checks:", "rated_temperature: {min: -10 degC, max: 55 degC}\nchecks:")
    for second, is_refused in (("21", True), ("25", False)):
        check = f"  - {{check: carrier_power, channel: 20, at: {{temperature: [20 degC, {second} degC]}}}}\n"
        (tmp_path / "s.yaml").write_text(head + check, encoding="utf-8")
        sequence, bench = load_sequence(str(tmp_path / "s.yaml")), load_bench("chamber-bench")
        if not is_refused:
            make_plan(sequence, bench)
            continue
        with pytest.raises(FileProblems) as refused:
            make_plan(sequence, bench)
        assert "nearer to each other than the tolerance of chamber" in refused.value.complaints[0].message


@pytest.mark.parametrize("asked", ["at: {supply: [13.2 V, 12 V]}", "supplies: [13.2 V, 12 V]"])
def test_a_supply_that_nothing_says_the_unit_bears_is_refused(tmp_path: Path, asked: str) -> None:
    """What nobody has stated is not unlimited: only the sequence's own supply is taken without `rated_supply`."""
    unstated = HEAD.replace("rated_supply: {min: 10.8 V, max: 15.6 V}\n", "")
    check = "power_against_supply" if asked.startswith("supplies") else "carrier_power"
    text = f"{unstated}  - {{check: {check}, channel: 20, {asked}}}\n"
    (tmp_path / "s.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems) as refused:
        make_plan(load_sequence(str(tmp_path / "s.yaml")), load_bench("bench"), serial="M40-0007")
    (one,) = refused.value.complaints
    assert one.message == "12 V is asked for, and nothing says at which voltages the unit may be fed"
    assert "'rated_supply: {min: …, max: …}' in its model file, or in the sequence" in one.allowed
    assert one.column == text.splitlines()[one.line - 1].index("12 V") + 1


@pytest.mark.parametrize("model", shipped_names("model"))
def test_every_shipped_model_says_what_its_unit_may_be_fed_with(model: str) -> None:
    """Its own supply lies within."""
    said = load_model(find_file(model, "model")).model
    assert said.rated_supply is not None
    assert said.supply_v is not None
    assert said.rated_supply.holds(said.supply_v)
