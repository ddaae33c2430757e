"""Time to power: truth of the specimens' own law, what the bench cannot know, and recordings that prove nothing."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.faults import NotSettled
from sequencer.checks.shared.spectrum.keyed_carrier import Came
from sequencer.checks.transmit.time_to_power import TimeToPowerSettings, _span_s
from sequencer.dsp.keying import CarrierInTime
from sequencer.problems import FileProblems
from sequencer.results.model import AGAINST_TIME, Result
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.keyed_units import Rig, run, true_time_to_power_s

CHECK = "check: time_to_power, channel: 5, limit: {max: 25 ms}"


def found(rig: Rig) -> Result:
    """Return the one result."""
    (one,) = (one for kept in rig.record.kept.values() for one in kept)
    return one


@pytest.mark.parametrize(("serial", "decision"), [("V5-0351", Decision.PASS), ("V5-0352", Decision.FAIL)])
def test_the_truth_lies_within_u(tmp_path: Path, serial: str, decision: Decision) -> None:
    """From the closed line to 1 dB below the power for good, by the specimen's own law (another formula than the check's)."""
    one = found(run(tmp_path, serial, CHECK, seed=2))
    assert one.uncertainty is not None
    assert one.value == pytest.approx(true_time_to_power_s(serial), abs=one.uncertainty)
    assert one.decision is decision
    assert {point.state for point in one.points} == {AGAINST_TIME}


def test_the_line_that_presses_ptt_is_told_apart(tmp_path: Path) -> None:
    """Stated, half of its time is taken off and its half stands in the budget; not stated, the whole is given without U, and why."""
    stated = found(run(tmp_path, "V5-0351", CHECK))
    assert (
        "whose moment is known to less than 0.01 ms, of which the push-to-talk line takes up to 5 ms"
        in stated.note
    )
    unstated = found(run(tmp_path, "V5-0351", CHECK, **{"    key_response: 5 ms ": "    # "}))
    assert unstated.uncertainty is None
    assert "is not known ('key_response' of the radio is not stated)" in unstated.note
    assert unstated.value == pytest.approx(stated.value + 0.0025, abs=1e-4)


def test_it_ends_released_and_the_recording_began_before_ptt(tmp_path: Path) -> None:
    """In the trace INITiate stands before the order to press, with nothing of the analyser between; the witness saw no hazard."""
    rig = run(tmp_path, "V5-0351", CHECK)
    sent = [(one.instrument, one.content) for one in rig.record.said if one.content]
    at = [n for n, (_, content) in enumerate(sent) if content.strip() == b":INITiate:IMMediate"]
    assert len(at) == 3
    for begin in at:
        pressed = next(n for n in range(begin, len(sent)) if b"KEY:STATe 1" in sent[n][1])
        asked = next(n for n in range(begin + 1, len(sent)) if sent[n][0] == "modulation_analyser")
        assert begin < pressed < asked
    assert not rig.simulation.unit.keyed


@pytest.mark.parametrize("match", [r"^:INIT", r"^\*OPC", r"TRAC\w*:DATA", r"KEY:STAT"])
@pytest.mark.parametrize("kind", [FaultKind.TIMEOUT, FaultKind.DISCONNECT, FaultKind.GARBAGE])
def test_whatever_fails_ptt_is_released(tmp_path: Path, match: str, kind: FaultKind) -> None:
    """The recording's order, its end, its samples, and PTT itself, each lost once: nothing is stated wrong and nothing stays keyed."""
    role = "radio" if "KEY" in match else "modulation_analyser"
    rig = run(
        tmp_path,
        "V5-0351",
        CHECK,
        spoil=lambda rig: rig.device(role).faults.add(Fault(kind=kind, match=match, regex=True)),
    )
    one = found(rig)
    assert one.value is None or one.value == pytest.approx(
        true_time_to_power_s("V5-0351"), abs=one.uncertainty
    )
    assert not rig.simulation.unit.keyed
    assert rig.simulation.hazards == ()


def test_an_analyser_that_shows_the_carrier_before_ptt_proves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A generator beside the bench on the channel: what is recorded does not come with PTT."""
    from sim.instruments.modulation_analyser import ModulationAnalyser

    def other(self: Any, traces: Mapping[str, Any]) -> Mapping[str, Any]:
        count = self.points
        noise = self.rng.standard_normal(count)
        return {**traces, "IQ": np.full(count, 0.5 + 0j) + (1e-5 + 1e-5j) * noise}

    monkeypatch.setattr(ModulationAnalyser, "as_it_went", other)
    rig = run(tmp_path, "V5-0351", CHECK)
    assert found(rig).value is None
    assert "no carrier came or went" in found(rig).note
    assert rig.record.ended["status"] != ExitStatus.PASSED


def test_a_recording_too_short_for_a_slow_unit_says_so(tmp_path: Path) -> None:
    """The power still moves at its end: no number, and what moves."""
    one = found(run(tmp_path, "V5-0352", f"{CHECK}, watched_for: 30 ms"))
    assert one.value is None
    assert "the power still moves by" in one.note


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("watched_for: 5 ms", "20 ms"),
        ("rate: 1 kHz", "10 kHz"),
        ("below: 6 dB", "3 dB"),
        ("limit: {min: 20 ms, max: 10 ms}", "contradictory"),
        ("mode: USB", "USB"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_sent(tmp_path: Path, how: str, said: str) -> None:
    """Too short, too slow, a window that is none, limits the wrong way round, a mode without a carrier."""
    with pytest.raises(FileProblems, match=said):
        run(tmp_path, "V5-0351", f"check: time_to_power, channel: 5, {how}")


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("192.0.2.18", "a person presses PTT on this bench, and nothing tells when"),
        ("192.0.2.13", "begin_recording"),
    ],
)
def test_a_bench_whose_analyser_or_radio_cannot_is_refused(tmp_path: Path, address: str, said: str) -> None:
    """A person's PTT, and a person's analyser: each is said before anything is sent."""
    by_hand = {f"    address: TCPIP0::{address}::5025::SOCKET\n": "    driver: operator\n"}
    if address.endswith("13"):
        by_hand["    timeout: 1 s                 # the shorter"] = "    # the shorter"
    with pytest.raises(FileProblems) as refused:
        run(tmp_path, "V5-0351", CHECK, **by_hand)
    assert said in str(refused.value)


def came_at(took_s: float, ordered_s: tuple[float, float]) -> Came:
    """Return a carrier that is there at once ``took_s`` after 40 ms, of a recording that knows its order to between two moments."""
    time_s = np.arange(0.0, 0.2, 1e-5)
    level_db = np.where(time_s >= 0.040 + took_s, 0.0, -90.0)
    carrier = CarrierInTime(
        time_s=time_s,
        level_db=level_db,
        frequency_hz=np.zeros_like(time_s),
        steady=1.0,
        floor_db=-90.0,
        look_s=1e-5,
    )
    return Came(carrier=carrier, ordered_s=ordered_s)


def test_what_is_not_known_of_one_press_is_known_of_another() -> None:
    """Orders known to 30 ms each, about the true one: together they leave what all of them allow, the true 10 ms among it."""
    settings = TimeToPowerSettings(check="time_to_power")
    kept = [
        came_at(0.010, (0.040 - early, 0.040 + late))
        for early, late in ((0.002, 0.028), (0.025, 0.005), (0.010, 0.020))
    ]
    span = _span_s(kept, settings)
    assert span.least_s == pytest.approx(0.005, abs=1e-4)
    assert span.most_s == pytest.approx(0.012, abs=1e-4)
    with pytest.raises(NotSettled, match="presses of PTT disagree"):
        _span_s([came_at(0.010, (0.040, 0.040)), came_at(0.020, (0.040, 0.040))], settings)


def test_a_bench_that_knows_nothing_of_the_moment_states_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The analyser says 60 ms late that its recording is over, each time: when it began is not known, and no number is given."""
    from drivers.profiled.base import ProfiledInstrument

    truly = ProfiledInstrument.await_recording
    monkeypatch.setattr(
        ProfiledInstrument, "await_recording", lambda self, length_s: truly(self, length_s) + 0.060
    )
    one = found(run(tmp_path, "V5-0351", CHECK))
    assert one.value is None
    assert "when PTT was ordered is known to 60 ms only after 8 presses" in one.note
