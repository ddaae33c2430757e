"""Receiver emissions: the oscillators where they stand, what is beside them, and what is not the unit's. Truth stands in the specimens."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.cli.validate import _unstated_lines
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.doubts.unproved import unheld_carriers
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.carriers import HeldCarrier
from sequencer.uncertainty.decision import Decision
from sim.instruments.spectrum_analyser import SpectrumAnalyser
from sim.radio.front_end import FrontEnd
from sim.radio.leakage import Leakage
from sim.wiring.wiring import Wiring
from tests.support.crashed import killed, lines_of
from tests.support.rig import Rig
from tests.support.spectral import BENCH, results, run, write_files

HOW = "check: receiver_emissions, channel: 20, intermediate_frequencies: [10.695 MHz, 455 kHz], oscillators: [high, low]"
MASK = (
    "mask: [{from: 2 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 2 nW}, "
    "{from: 30 MHz, to: 1 GHz, resolution_bandwidth: 100 kHz, max: 2 nW}]"
)
CHECK = f"{HOW}, {MASK}"
FIRST, HARMONIC, SECOND = (
    "receiver emission, " + name
    for name in ("first oscillator", "first oscillator's harmonic", "second oscillator")
)
LOW, HIGH = ("receiver emission, " + name for name in ("2 MHz to 30 MHz", "30 MHz to 1 GHz"))


def true_w(level_dbm: float) -> float:
    """Return a level that a specimen states, W."""
    return float(10.0 ** ((level_dbm - 30.0) / 10.0))


def test_the_oscillators_stand_where_published_figures_have_them() -> None:
    """27.185 MHz: LO1 37.880 MHz above it, 16.490 below, LO2 10.240 MHz (worked examples of superheterodynes with 10.695 and 455 kHz)."""
    assert Leakage().of(FrontEnd(), 27.185e6)[0][0] == pytest.approx(37.880e6)
    assert Leakage().of(FrontEnd(first_oscillator="low"), 27.185e6)[0][0] == pytest.approx(16.490e6)
    assert Leakage().of(FrontEnd(), 27.185e6)[2][0] == pytest.approx(10.240e6)


def test_a_sound_unit_passes_and_is_never_keyed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its first oscillator, -78 dBm, is measured within U; what the noise hides is bounded below the limit. PTT was never pressed."""
    pressed = list[float]()
    monkeypatch.setattr(Wiring, "key", lambda wiring: pressed.append(wiring._clock.now_s()))
    found = results(run(tmp_path, "M40-0041", CHECK))
    first = found[FIRST]
    assert first.value is not None, first.note
    assert first.uncertainty is not None
    assert abs(first.value - true_w(-78.0)) <= first.uncertainty
    assert "at 37.9000 MHz, PTT released" in first.note
    for quantity, true in ((HARMONIC, true_w(-92.0)), (SECOND, true_w(-86.0)), (LOW, 0.0), (HIGH, 0.0)):
        one = found[quantity]
        assert one.value is not None, one.note
        assert one.value >= true
        assert one.bound == "at most"
    assert {one.decision for one in found.values()} == {Decision.PASS}
    assert pressed == []


def test_a_leaking_unit_fails_at_its_oscillator_and_in_the_range(tmp_path: Path) -> None:
    """6.3 nW at the oscillator, and 5 nW at 480 MHz, which only the range finds: within U, and both fail."""
    found = results(run(tmp_path, "M40-0044", CHECK))
    for quantity, level_dbm in ((FIRST, -52.0), (HIGH, -52.0)):
        one = found[quantity]
        assert one.value is not None, one.note
        assert one.uncertainty is not None
        assert abs(one.value - true_w(level_dbm)) <= one.uncertainty
        assert one.decision is Decision.FAIL
    assert found[LOW].decision is Decision.PASS
    wide = MASK.replace(
        "{from: 30 MHz",
        "{from: 30 MHz, to: 400 MHz, resolution_bandwidth: 100 kHz, max: 2 nW}, {from: 400 MHz",
    )
    line = results(run(tmp_path, "M40-0044", f"{HOW}, {wide}"))["receiver emission, 400 MHz to 1 GHz"]
    assert line.value is not None
    assert abs(line.value - true_w(-53.0)) <= (line.uncertainty or 0.0)
    assert "at 479.9979 MHz" in line.note  # the points of the sweep are a quarter of a filter apart


def _with(monkeypatch: pytest.MonkeyPatch, leaks: Callable[[Any], Any]) -> None:
    monkeypatch.setattr(Wiring, "leaks", leaks)


def test_a_line_that_stays_without_supply_is_not_the_unit_s(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line of the room at 480 MHz, 6 dB above the limit, with and without supply: no failure, and said."""
    own = Wiring.leaks
    _with(monkeypatch, lambda wiring: (*own(wiring), (480e6, -51.0)))
    found = results(run(tmp_path, "M40-0041", CHECK))
    assert found[HIGH].value is None
    assert "it stands there with the unit off too" in found[HIGH].note
    assert found[FIRST].decision is Decision.PASS


def test_nothing_seen_of_the_unit_decides_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An analyser whose cable is off sees its own noise alone: no pass by bounds, for nothing shows that it sees the unit."""
    _with(monkeypatch, lambda wiring: ())
    found = results(run(tmp_path, "M40-0041", CHECK))
    assert {one.value for one in found.values()} == {None}
    assert all("nothing shows that the analyser sees the unit" in one.note for one in found.values())


def test_a_unit_that_transmits_by_itself_is_told_to_be_switched_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a watt at its channel while PTT reads released: over range is no failure of the receiver, and more attenuation no help."""
    own = Wiring.leaks
    _with(monkeypatch, lambda wiring: (*own(wiring), (27.205e6, 27.0)))
    found = results(run(tmp_path, "M40-0041", CHECK))
    assert {one.value for one in found.values()} == {None}
    assert all("PTT reads released: a unit that transmits by itself" in one.note for one in found.values())


def test_the_unit_is_fed_again_for_the_check_after_it(tmp_path: Path) -> None:
    """Power is measured behind it as before it; the forecast holds."""
    power = "check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}"
    rig: Rig = run(tmp_path, "M40-0041", CHECK, power)
    found = results(rig)
    assert found["carrier power"].decision is Decision.PASS
    assert 0.8 <= rig.simulation.clock.now_s() / rig.plan.forecast_s <= 1.25


@pytest.mark.parametrize(
    ("how", "message"),
    [
        (
            f"{HOW}, mask: [{{from: 2 MHz, to: 30 MHz, resolution_bandwidth: 9 kHz, max: 2 nW}}]",
            "no resolution bandwidth of 9 kHz",
        ),
        (
            f"{HOW}, mask: [{{from: 2 MHz, to: 4 GHz, resolution_bandwidth: 100 kHz, max: 2 nW}}]",
            "beyond the highest frequency",
        ),
        (
            f"{HOW}, mask: [{{from: 9 kHz, to: 150 kHz, resolution_bandwidth: 1 kHz, max: 2 nW}}]",
            "loss table of the transmit path ends at 1",
        ),
        (
            f"{HOW}, mask: [{{from: 30 MHz, to: 2 MHz, resolution_bandwidth: 10 kHz, max: 2 nW}}]",
            "from below to",
        ),
        (f"check: receiver_emissions, channel: 20, {MASK}", "intermediate_frequencies"),
        (f"{HOW}, {MASK}, resolution_bandwidth: 9 kHz", "no resolution bandwidth of 9 kHz"),
        (HOW.replace("10.695 MHz", "2 GHz") + f", {MASK}", "loss table of the transmit path ends"),
    ],
)
def test_bad_input_is_refused_before_anything_is_sent(tmp_path: Path, how: str, message: str) -> None:
    """A filter that the analyser has not, ranges it does not reach or whose loss nobody knows, and no frequencies."""
    with pytest.raises(FileProblems, match=f"(?s){message}"):
        run(tmp_path, "M40-0041", how)


HOLDS = "check: harmonics, channel: 20, up_to: 2, limit: {max: 250 nW}"
UNHELD = "no carrier was held against the power meter"


def _lossy(monkeypatch: pytest.MonkeyPatch, loss_db: Callable[[], float]) -> None:
    """Put a loss that nobody states before the spectrum analyser alone: all that arrives at its input is so much weaker."""
    for name in ("_waves", "_leaking"):
        own: Callable[..., Any] = getattr(SpectrumAnalyser, name)

        def weaker(analyser: Any, *of: Any, own: Callable[..., Any] = own) -> Any:
            share = 10.0 ** (-loss_db() / 20.0)
            return tuple(replace(one, samples=one.samples * share) for one in own(analyser, *of))

        monkeypatch.setattr(SpectrumAnalyser, name, weaker)


def _emissions(rig: Rig) -> list[Any]:
    return [one for name, one in results(rig).items() if name.startswith("receiver emission")]


def test_an_analyser_that_hears_too_little_passes_no_leaking_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """20 dB in its cable: harmonics find it, and the unit of 6.3 nW is not measured, with both levels; it would read 63 pW."""
    _lossy(monkeypatch, lambda: 20.0)
    found = _emissions(run(tmp_path, "M40-0044", HOLDS, CHECK))
    assert {one.value for one in found} == {None}
    assert {one.decision for one in found} == {Decision.NOT_MEASURED}
    for one in found:
        apart = re.search(r"were ([\d.]+) dB apart: it showed a carrier of .* the analyser's cable", one.note)
        assert apart is not None, one.note
        assert float(apart[1]) == pytest.approx(20.0, abs=2.0)


def test_without_a_carrier_before_it_each_result_says_on_what_it_rests(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same cable, nothing before it: what is read is said to rest on the analyser's word, and the plan names the check."""
    _lossy(monkeypatch, lambda: 20.0)
    rig = run(tmp_path, "M40-0044", CHECK)
    found = _emissions(rig)
    assert len(found) == 5
    assert all(UNHELD in one.note for one in found)
    assert unheld_carriers(rig.plan) == {"spectrum_analyser": ("receiver_emissions",)}
    assert "  spectrum_analyser: receiver_emissions" in _unstated_lines(rig.plan)


def test_a_carrier_that_agrees_says_nothing_and_counts_after_one_that_did_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cable that is mended between two checks: the later one counts, and the leaking unit fails as on a sound bench."""
    losses = {"db": 20.0}
    _lossy(monkeypatch, lambda: losses["db"])
    note_held, noted = TransmitSide.note_held, list[HeldCarrier]()

    def mend(side: TransmitSide, held: HeldCarrier) -> None:
        noted.append(held)
        losses["db"] = 0.0
        note_held(side, held)

    monkeypatch.setattr(TransmitSide, "note_held", mend)
    rig = run(tmp_path, "M40-0044", HOLDS, HOLDS.replace("up_to: 2", "up_to: 3"), CHECK)
    assert [one.agrees for one in noted] == [False, True]
    found = results(rig)
    assert found[FIRST].value == pytest.approx(true_w(-52.0), abs=found[FIRST].uncertainty)
    assert found[FIRST].decision is Decision.FAIL
    assert not any(UNHELD in one.note for one in _emissions(rig))


def test_a_carrier_of_the_modulation_analyser_says_nothing_of_the_other_s_cable(tmp_path: Path) -> None:
    """Adjacent power from samples holds another instrument against the power meter; the plan says so too."""
    other = "check: adjacent_channel_power, channel: 20, read: samples, drive: 10 mV, limit: {max: 20 uW}"
    rig = run(tmp_path, "M40-0041", other, CHECK)
    assert all(UNHELD in one.note for one in _emissions(rig))
    assert unheld_carriers(rig.plan) == {"spectrum_analyser": ("receiver_emissions",)}


@pytest.mark.parametrize("sequence", ["pre-check-fm-27mhz", "pre-check-vhf-fm"])
def test_shipped_pre_checks_hold_a_carrier_before_it(sequence: str) -> None:
    """Their harmonics come first."""
    plan = make_plan(load_sequence(sequence), load_bench(str(BENCH)))
    assert "receiver_emissions" in [step.check.name for step in plan.steps]
    assert unheld_carriers(plan) == {}


def _cut_short_and_resumed(folder: Path) -> dict[str, Any]:
    """Run the checks that stand there until a carrier is held and its check has ended, kill the run, and return how `resume` ends."""
    words = (
        "run",
        "sequence.yaml",
        "--bench",
        "bench.yaml",
        "--serial",
        "M40-0044",
        "--folder",
        str(folder / "results"),
    )

    def has_ended(number: int) -> bool:
        return any(one["event"] == "check ended" for one in lines_of(folder / "results"))

    assert os.WTERMSIG(killed(words, has_ended)) == signal.SIGKILL
    assert "carrier held" in [one["event"] for one in lines_of(folder / "results")]
    done = CliRunner().invoke(main, ["resume", "--folder", str(folder / "results"), "--json"])
    plain: dict[str, Any] = json.loads(done.stdout)
    return plain


@pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")
@pytest.mark.parametrize("loss_db", [0.0, 20.0])
def test_what_was_held_outlives_the_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, loss_db: float
) -> None:
    """Resumed, a leaking unit fails by an analyser that agreed with the power meter, and is not measured by one that did not."""
    write_files(tmp_path, [HOLDS, CHECK], seed=1)
    monkeypatch.chdir(tmp_path)
    _lossy(monkeypatch, lambda: loss_db)
    plain = _cut_short_and_resumed(tmp_path)
    found = [one for one in plain["results"] if one["check"] == "receiver_emissions"]
    assert len(found) == 5
    first = next(one for one in found if one["quantity"] == FIRST)
    assert first["decision"] == ("not measured" if loss_db else "fail"), first
    assert all("before the run was cut short, and not since" in one["note"] for one in found)
    assert not any(UNHELD in one["note"] for one in found)
    if loss_db:
        assert {one["value"] for one in found} == {None}
        assert all("dB apart" in one["note"] for one in found)


def test_what_was_held_before_cables_were_moved_counts_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Agreement as little as the opposite: the analyser's cable may be another, or be mended. What is read says on what it rests."""
    through = "check: connection_repeatability, channel: 20, connections: 3"
    for loss_db in (0.0, 20.0):
        _lossy(monkeypatch, lambda loss_db=loss_db: loss_db)
        rig = run(tmp_path, "M40-0044", HOLDS, through, CHECK)
        found = _emissions(rig)
        assert all(one.value is not None for one in found)
        assert all("cables were moved since a carrier was held" in one.note for one in found), found[0].note
        monkeypatch.undo()
