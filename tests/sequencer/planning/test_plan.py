"""The plan proves what can be proved, complains at the right place, and forecasts the bench time."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems

HEAD = "sequence: Test\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
POWER = "  - {check: carrier_power, channel: 20, limit: {max: 4 W}}\n"


def _plan(folder: Path, text: str, bench_changes: dict[str, str] | None = None) -> Plan:
    (folder / "s.yaml").write_text(text)
    shipped = load_bench("bench").path
    bench = shipped.read_text().replace("unit: units ", f"unit: {shipped.parent}/units ")
    for old, new in (bench_changes or {}).items():
        assert old in bench
        bench = bench.replace(old, new)
    (folder / "b.yaml").write_text(bench)
    return make_plan(load_sequence(str(folder / "s.yaml")), load_bench(str(folder / "b.yaml")))


def _complaints(folder: Path, text: str, bench_changes: dict[str, str] | None = None) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        _plan(folder, text, bench_changes)
    return [str(one).replace(f"{folder}/", "") for one in caught.value.complaints]


def test_one_step_for_each_channel_in_the_order_of_the_file(tmp_path: Path) -> None:
    """A check on three channels becomes three steps, at the frequencies of the CEPT plan (ECC/DEC/(11)03)."""
    plan = _plan(tmp_path, HEAD + "  - {check: carrier_power, channel: [40, 1, 20]}\n")
    assert [step.conditions.channel for step in plan.steps] == [40, 1, 20]
    assert [step.conditions.frequency_hz for step in plan.steps] == [27.405e6, 26.965e6, 27.205e6]
    assert [step.index for step in plan.steps] == [0, 1, 2]


def test_preparations_come_first_and_take_no_bench_time(tmp_path: Path) -> None:
    """What a person confirms comes before the first check, and waiting for a person is not forecast."""
    plan = _plan(tmp_path, HEAD.replace("checks:", "prepare:\n  - confirm: squelch open\nchecks:") + POWER)
    assert [step.label for step in plan.steps] == ["confirm: squelch open", "carrier power, channel 20"]
    assert plan.steps[0].forecast_s == 0.0
    assert plan.confirmations == 1


def test_all_that_cannot_be_done_is_said_at_once(tmp_path: Path) -> None:
    """A wrong channel, a level above the rating and a power above the rating are three complaints of one proof."""
    text = HEAD + (
        "  - {check: carrier_power, channel: 41}\n"
        "  - {check: carrier_power, channel: 20, limit: {max: 60 W}}\n"
        "  - {check: sensitivity, channel: 20, levels: {max: 1 dBm}}\n"
    )
    found = _complaints(tmp_path, text, {"max_power: 100 mW": "max_power: 1 W"})
    assert [one.splitlines()[0] for one in found] == [
        "s.yaml:6:37: channel 41 is not in the plan 'CEPT 40 channels'",
        "s.yaml:7:54: 60 W is above the rating of the transmit path in b.yaml",
        "s.yaml:8:53: 1 dBm is above the receiver's rating (max_receiver_input of b.yaml)",
    ]


def test_a_lower_power_limit_is_held_against_the_ratings_too(tmp_path: Path) -> None:
    """A unit that must give at least 60 W cannot be measured through a load for 50 W."""
    found = _complaints(tmp_path, HEAD + "  - {check: carrier_power, channel: 20, limit: {min: 60 W}}\n")
    assert any("60 W is above the rating of the transmit path" in one for one in found)


@pytest.mark.parametrize(
    ("level", "place"), [("-137.5 dBm", "min"), ("-140 dBm", "min"), ("12.8 dBm", "max"), ("13 dBm", "max")]
)
def test_the_generator_s_range_is_met_at_the_antenna_connector(
    tmp_path: Path, level: str, place: str
) -> None:
    """With 0.42 dB of path, a generator of -137 to 13 dBm offers -137.4 to 12.6 dBm at the unit."""
    text = HEAD + f"  - {{check: sensitivity, channel: 20, levels: {{{place}: {level}}}}}\n"
    found = _complaints(tmp_path, text, {"max_receiver_input: 0 dBm": "max_receiver_input: 20 dBm"})
    assert found[0].startswith("s.yaml:6:")
    assert "outside what the generator offers through 0.42 dB of path" in found[0]
    assert "allowed: -137.4 to 12.6 dBm" in found[0]


def test_levels_just_inside_the_generator_s_range_are_taken(tmp_path: Path) -> None:
    """-137.4 to 12.5 dBm at the unit can be given by a generator of -137 to 13 dBm through 0.42 dB."""
    text = HEAD + "  - {check: sensitivity, channel: 20, levels: {min: -137.4 dBm, max: 12.5 dBm}}\n"
    assert _plan(tmp_path, text, {"max_receiver_input: 0 dBm": "max_receiver_input: 20 dBm"}).steps


def test_a_window_that_one_given_end_closes_is_refused(tmp_path: Path) -> None:
    """A lowest level above the highest that is used by default leaves nothing to search."""
    found = _complaints(tmp_path, HEAD + "  - {check: sensitivity, channel: 20, levels: {min: -10 dBm}}\n")
    assert "nothing lies between -10 dBm and -20 dBm" in found[0]


def test_power_through_the_pad_is_held_against_the_meter(tmp_path: Path) -> None:
    """A meter for 1 mW behind 30.1 dB bears 1.02 W: 0 dBm + 30.1 dB = 30.1 dBm."""
    found = _complaints(tmp_path, HEAD + POWER, {"max_power: 100 mW": "max_power: 1 mW"})
    assert "4 W through 30.10 dB is more than max_power of power_meter in b.yaml" in found[0]
    assert "at most 1.02 W" in found[0]


def test_no_plan_is_one_complaint_whatever_the_channels(tmp_path: Path) -> None:
    """A sequence without a plan hears it once, with the shipped plans, not once a channel."""
    text = HEAD.replace("channels: plans/cept-40.yaml\n", "")
    found = _complaints(tmp_path, text + "  - {check: carrier_power, channel: [1, 2, 3]}\n")
    assert len(found) == 1
    assert "names no channel plan" in found[0]
    assert "cept-40.yaml" in found[0]


def test_a_check_without_a_channel_is_refused(tmp_path: Path) -> None:
    """A check that keys or listens must be told where."""
    found = _complaints(tmp_path, HEAD + "  - {check: carrier_power}\n")
    assert "carrier_power needs a channel" in found[0]


@pytest.mark.parametrize(
    ("mode", "check"), [("USB", "frequency_error, channel: 20"), ("FM", "agc_span, channel: 20")]
)
def test_a_check_in_the_wrong_mode_is_refused(tmp_path: Path, mode: str, check: str) -> None:
    """A suppressed carrier has no frequency error to count, and FM audio knows no AGC."""
    found = _complaints(tmp_path, HEAD.replace("FM", mode) + f"  - {{check: {check}}}\n")
    assert f"is not for {mode}" in found[0]


def test_a_key_time_that_cannot_be_promised_is_refused(tmp_path: Path) -> None:
    """With time-outs of 2 s a release may take 12 s, so that 5 s of key-down cannot be kept."""
    found = _complaints(tmp_path, HEAD + POWER, {"max_key_time: 40 s": "max_key_time: 5 s"})
    assert found[0].startswith("b.yaml:")
    assert "max_key_time 5 s cannot be promised" in found[0]


def test_a_receive_only_sequence_needs_no_key_time(tmp_path: Path) -> None:
    """The limit of a key that is never pressed stops nobody."""
    text = HEAD + "  - {check: sensitivity, channel: 20}\n"
    assert _plan(tmp_path, text, {"max_key_time: 40 s": "max_key_time: 5 s"}).steps


def test_a_supply_beyond_its_own_limit_is_refused(tmp_path: Path) -> None:
    """18 V from a supply that may be set to 16 V at most is refused where it is asked for."""
    found = _complaints(tmp_path, HEAD.replace("13.2 V", "18 V") + POWER)
    assert found[0].splitlines()[0] == "s.yaml:4:9: 18 V is above max_voltage of supply"


def test_rests_are_forecast_where_the_duty_owes_them(tmp_path: Path) -> None:
    """At 25 % duty, keying for 20 s costs about 60 s of rest, some of it only before the next keying."""
    text = HEAD + "  - {check: carrier_power, channel: 20, keyed_for: 20 s}\n" + POWER
    plan = _plan(tmp_path, text, {"key_duty: 50 %": "key_duty: 25 %"})
    full = _plan(tmp_path, text, {"key_duty: 50 %": "key_duty: 100 %"})
    rests_s = plan.forecast_s - full.forecast_s
    assert 55.0 < rests_s < 65.0
    assert plan.steps[1].forecast_s > 3.0 * full.steps[1].forecast_s


def test_the_exchanges_on_real_links_are_forecast(tmp_path: Path) -> None:
    """A bench whose instruments are spoken to over links takes some tenths of a second more for each check; a person's steps do not."""
    text = HEAD + POWER + "  - {check: confirm, text: lid closed}\n" + POWER.replace("20", "1")
    real = {"visa: sim": "visa: py", "unit: /": "# unit: /", "clock: virtual": "", "seed: 1": ""}
    linked = _plan(tmp_path, text, real)
    each_s = linked.forecast_s - _plan(tmp_path, text).forecast_s
    assert 2 * 0.1 <= each_s <= 2 * 0.5


def test_a_unit_that_nobody_feeds_is_refused(tmp_path: Path) -> None:
    """Opening a bench switches its supply off: a sequence that does not say the voltage would measure a dead unit."""
    found = _complaints(tmp_path, HEAD.replace("supply: 13.2 V\n", "") + POWER)
    assert len(found) == 1
    assert "supply is off when the bench opens" in found[0]


PARTS = HEAD + (
    "  - {check: carrier_power, channel: [1, 20]}\n"
    "  - {check: confirm, text: squelch open}\n"
    "  - {check: frequency_error, channel: 20}\n"
    "  - {check: confirm, text: squelch tight}\n"
)


def test_a_part_keeps_the_numbers_of_the_whole(tmp_path: Path) -> None:
    """Chosen checks carry the numbers they have in the whole sequence; confirmations before the last of them are kept, later ones not."""
    _plan(tmp_path, PARTS)
    sequence, bench = load_sequence(str(tmp_path / "s.yaml")), load_bench(str(tmp_path / "b.yaml"))
    whole = make_plan(sequence, bench)
    part = make_plan(sequence, bench, only=["frequency_error"])
    assert [(step.index, step.label) for step in part.steps] == [
        (2, "confirm: squelch open"),
        (3, "frequency error, channel 20"),
    ]
    assert all(step.label == whole.steps[step.index].label for step in part.steps)
    first = make_plan(sequence, bench, only=("carrier_power", "carrier_power"))
    assert ([step.index for step in first.steps], first.only) == ([0, 1], ("carrier_power",))
    assert part.forecast_s < whole.forecast_s


def test_what_is_not_chosen_is_not_proved(tmp_path: Path) -> None:
    """A check that this bench cannot do does not stand in the way of one that it can."""
    text = PARTS + "  - {check: sensitivity, channel: 20, target: 12 dB SINAD}\n"
    (tmp_path / "s.yaml").write_text(text)
    bench = (
        load_bench("bench")
        .path.read_text()
        .replace("unit: units ", f"unit: {load_bench('bench').path.parent}/units ")
    )
    lines, skipping = [], False
    for line in bench.splitlines():
        skipping = line.startswith("  audio_analyser:") or (skipping and line.startswith("    "))
        lines += [] if skipping else [line]
    (tmp_path / "b.yaml").write_text("\n".join(lines))
    sequence, loaded = load_sequence(str(tmp_path / "s.yaml")), load_bench(str(tmp_path / "b.yaml"))
    with pytest.raises(FileProblems, match="sensitivity needs audio_analyser"):
        make_plan(sequence, loaded)
    assert make_plan(sequence, loaded, only=["carrier_power"]).steps


def test_nothing_is_written_beside_a_shipped_bench(tmp_path: Path) -> None:
    """Tables of a shipped bench go where the command was given, those of one's own beside the bench file."""
    own = _plan(tmp_path, PARTS)
    assert own.steps[0].conditions.bench_folder == tmp_path
    shipped = make_plan(own.sequence, load_bench("bench"))
    assert shipped.steps[0].conditions.bench_folder == Path()


BY_HAND = """  audio_analyser: {driver: operator}
"""


def test_what_a_person_cannot_read_is_refused_before_the_run(tmp_path: Path) -> None:
    """Distortion, samples and the like are read by no eye: the plan says so, where the run would have said it check by check."""
    shipped = load_bench("bench").path.read_text()
    begins = shipped.index("  audio_analyser:")
    entry = shipped[begins : shipped.index("  voltmeter:", begins)]
    checks = (
        "  - {check: receive_distortion, channel: 20, level: -47 dBm}\n  - {check: squelch, channel: 20}\n"
    )
    said = _complaints(
        tmp_path,
        HEAD.replace("checks:", "prepare: [{confirm: squelch just closed}]\nchecks:") + checks,
        {entry: BY_HAND},
    )
    assert len(said) == 1, said
    assert (
        "receive_distortion needs 'distortion' of audio_analyser, and a person reads audio_analyser"
        in said[0]
    )
