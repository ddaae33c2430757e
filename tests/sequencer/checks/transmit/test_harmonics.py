"""Harmonics and spurious emissions of specimens whose lines are stated, and of an analyser that makes lines of its own.

Outside the project: a second-order product of a mixer rises by 2 dB, a third by 3 dB for each dB at its input (textbook); limits of 250 nW
and 4 nW are those of the standards for 27 MHz equipment, from memory.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from sim.instruments.spectrum_analyser import SpectrumAnalyser
from sim.instruments.swept import noise_bandwidth_hz
from tests.support.desk import by_hand, run_by_hand
from tests.support.multimode_desk import specimen
from tests.support.spectral import HEAD, results, run

HARMONICS = "check: harmonics, channel: 20, up_to: 4, limit: {max: 250 nW}"
ROWS = (
    "{from: 10 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}",
    "{from: 30 MHz, to: 120 MHz, resolution_bandwidth: 100 kHz, max: 250 nW}",
)
SPURIOUS = f"check: spurious_emissions, channel: 20, mask: [{', '.join(ROWS)}]"


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The unit with its harmonic filter open."""
    return results(run(tmp_path_factory.mktemp("faulty"), "M40-0042", HARMONICS, SPURIOUS))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A unit whose harmonics lie below what the analyser can show."""
    return results(run(tmp_path_factory.mktemp("sound"), "M40-0041", HARMONICS))


@pytest.mark.parametrize("order", [2, 3, 4])
def test_harmonics_are_those_of_the_specimen(faulty: Any, order: int) -> None:
    """Each lies within U of what its file states, as a power and below the carrier."""
    transmitter = specimen("M40-0042").transmitter
    true_db = transmitter.harmonics_db[order - 2]
    ratio, power = faulty[f"harmonic {order} below carrier"], faulty[f"harmonic {order}"]
    assert ratio.value == pytest.approx(-true_db, abs=ratio.uncertainty)
    assert power.value == pytest.approx(transmitter.power_w * 10.0 ** (true_db / 10.0), abs=power.uncertainty)
    assert (power.decision is Decision.FAIL) == (order < 4)


def test_a_line_of_the_mixer_is_found_where_it_is(faulty: Any) -> None:
    """The highest line of a range is stated with its frequency; harmonics are among what a range holds."""
    transmitter = specimen("M40-0042").transmitter
    (line,) = transmitter.spurious
    low = faulty["spurious, 10 MHz to 30 MHz"]
    assert "27.205 MHz ± 250 kHz not looked at" in low.note
    assert "not looked at" not in faulty["spurious, 30 MHz to 120 MHz"].note
    assert low.frequency_hz == pytest.approx(line.frequency_hz, abs=10e3)
    assert low.value == pytest.approx(
        transmitter.power_w * 10.0 ** (line.level_db / 10.0), abs=low.uncertainty
    )
    high = faulty["spurious, 30 MHz to 120 MHz"]
    assert high.frequency_hz == pytest.approx(2 * 27.205e6, abs=50e3)
    assert (low.decision, high.decision) == (Decision.FAIL, Decision.FAIL)


def test_what_the_analyser_makes_itself_is_no_harmonic_of_the_unit(sound: Any) -> None:
    """95 dB below the carrier is less than the mixer's own third harmonic: it falls with more attenuation, so that a bound is stated."""
    transmitter = specimen("M40-0041").transmitter
    for order in (2, 3, 4):
        one = sound[f"harmonic {order}"]
        true_w = transmitter.power_w * 10.0 ** (transmitter.harmonics_db[order - 2] / 10.0)
        assert true_w < one.value < 250e-9
        assert one.bound == "at most"
        assert "this" not in one.note
        assert one.decision is Decision.PASS
    assert "the analyser's own mixer may have made it" in sound["harmonic 3"].note
    assert sound["harmonic 3 below carrier"].bound == "at least"


def test_a_bound_beyond_the_limit_is_no_verdict(tmp_path: Path) -> None:
    """Where noise and mixer hide what a limit of 0.1 nW asks for, nothing is measured, and the note says what would show more."""
    one = results(run(tmp_path, "M40-0041", "check: harmonics, channel: 20, up_to: 2, limit: {max: 100 pW}"))[
        "harmonic 2"
    ]
    assert one.value is None
    assert one.decision is Decision.NOT_MEASURED
    assert "a filter that takes the carrier out ('paths.notch') would show more" in one.note


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (HARMONICS.replace("up_to: 4", "up_to: 20"), None),
        (
            SPURIOUS.replace("from: 30 MHz", "from: 31 MHz"),
            "the mask has a gap: one range ends at 30 MHz, the next begins at 31 MHz",
        ),
        (
            SPURIOUS.replace("from: 30 MHz", "from: 29 MHz"),
            "the mask has an overlap: one range ends at 30 MHz, the next begins at 29 MHz",
        ),
        (SPURIOUS.replace("to: 120 MHz", "to: 2 GHz"), "the loss table of the transmit path ends at 1 GHz"),
        (
            SPURIOUS.replace("to: 120 MHz", "to: 4 GHz"),
            "beyond the highest frequency of the spectrum analyser",
        ),
        (SPURIOUS.replace("10 kHz", "9 kHz"), "has no resolution bandwidth of 9 kHz"),
        (
            SPURIOUS.replace("30 MHz", "27.3 MHz").replace("10 MHz", "27.1 MHz"),
            "lies within 250 kHz of the channel",
        ),
        (SPURIOUS.replace("to: 30 MHz", "to: 5 MHz"), "the range begins at 10 MHz and ends at 5 MHz"),
    ],
)
def test_a_mask_that_cannot_be_measured_is_refused_in_words(
    tmp_path: Path, check: str, said: str | None
) -> None:
    """A gap, an overlap, a range beyond loss table or analyser, a filter it has not; the 20th harmonic is no fault."""
    if said is None:
        assert run(tmp_path, "M40-0042", check).record.kept
        return
    with pytest.raises(FileProblems) as refused:
        run(tmp_path, "M40-0042", check)
    assert said in str(refused.value)


def test_harmonics_are_read_by_a_person_where_the_analyser_has_no_port(tmp_path: Path) -> None:
    """Each line is read with two attenuations off the screen: within U of the specimen's; settings stand in the prompt."""
    bench = by_hand(Path("sim/spectrum-bench.yaml").read_text(encoding="utf-8"), ["spectrum_analyser"])
    sequence = tmp_path / "by-hand.yaml"
    sequence.write_text(
        HEAD.format(mode="FM") + f"  - {{{HARMONICS.replace('up_to: 4', 'up_to: 2')}}}\n", encoding="utf-8"
    )
    ran, person = run_by_hand(tmp_path, str(sequence), bench, serial="M40-0042")
    found = {one.quantity: one for one in ran.outcome.results}
    transmitter = specimen("M40-0042").transmitter
    one = found["harmonic 2 below carrier"]
    assert one.value == pytest.approx(-transmitter.harmonics_db[0], abs=one.uncertainty)
    assert found["harmonic 2"].decision is Decision.FAIL
    assert any(
        "centre 54.41 MHz, span 200 kHz, resolution bandwidth 10 kHz" in asked for asked in person.asked
    )
    assert any("attenuation 40 dB" in asked for asked in person.asked)


WIDE_HZ, IN_FILTER_W = 300e3, 3e-6
AT_40_MHZ = "check: spurious_emissions, channel: 20, mask: [{from: 38 MHz, to: 42 MHz, resolution_bandwidth: 100 kHz, max: 250 nW}]"


def test_noise_that_fills_the_reference_bandwidth_counts_with_its_power_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """3 uW in 100 kHz of noise about 40 MHz, 12 times the limit: a narrower filter shows a hundredth of it, which is no bound."""
    real = SpectrumAnalyser._noise_beside
    density = IN_FILTER_W / noise_bandwidth_hz(100e3)

    def with_noise(self: SpectrumAnalyser, emission: Any, wave: Any, at_hz: Any) -> Any:
        """Add noise of the unit about 40 MHz, W/Hz at the analyser."""
        loss = 10.0 ** ((self.wiring.meter_loss_db(40e6) or 0.0) / 10.0)
        return real(self, emission, wave, at_hz) + density / loss * (abs(at_hz - 40e6) <= WIDE_HZ / 2.0)

    monkeypatch.setattr(SpectrumAnalyser, "_noise_beside", with_noise)
    (one,) = results(run(tmp_path, "M40-0041", AT_40_MHZ)).values()
    assert one.value == pytest.approx(IN_FILTER_W, abs=one.uncertainty)
    assert one.decision is Decision.FAIL
    assert "it falls with the bandwidth" in one.note


def test_a_trace_with_its_carrier_elsewhere_states_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Points moved by an eighth of the span: every line would be looked for where it is not."""
    real = SpectrumAnalyser._shown_dbm
    monkeypatch.setattr(
        SpectrumAnalyser,
        "_shown_dbm",
        lambda self, powers: np.roll(real(self, powers), len(powers) // 8),
    )
    one = results(run(tmp_path, "M40-0041", AT_40_MHZ))["spurious, 38 MHz to 42 MHz"]
    assert one.decision is Decision.NOT_MEASURED
    assert "it shows the carrier at 27.4" in one.note
