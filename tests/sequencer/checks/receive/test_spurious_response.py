"""Spurious responses: where they are looked for, against a table of frequencies and the unit's truth, and what the plan refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.checks.receive.spurious_response import SpuriousResponseSettings
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from tests.support.running import Ran, run_checks
from tests.support.truth import INTERFERER, TrueUnit, where, write_bench

FREQUENCIES = "intermediate_frequencies: [10.695 MHz, 455 kHz], oscillators: [high, low]"
SOUND, FAULTY = "M40-0061", "M40-0062"
PLACES_HZ = {"image": 21_390_000.0, "half of the IF": 5_347_500.0, "second image": 910_000.0}


def check(how: str = "", frequencies: str = FREQUENCIES) -> str:
    """Return the check as a sequence has it."""
    return f"{{check: spurious_response, channel: 20, wanted: -107 dBm, target: 14 dB SINAD, {frequencies}{how}}}"


def true_ratio_db(serial: str, offset_hz: float) -> float:
    """Return the ratio at which a carrier truly brings SINAD at -107 dBm down to 14 dB."""
    true = TrueUnit(serial, "FM", 20)
    wanted = true.carrier(-107.0, fm_deviation_hz=1_200.0)
    return 107.0 + where(
        lambda level_dbm: true.hear(wanted, true.carrier(level_dbm, offset_hz)).mean_sinad_db(),
        14.0,
        -100.0,
        5.0,
    )


@pytest.mark.parametrize(
    ("oscillators", "mhz"),
    [
        (["high", "low"], (48.575, 32.5325, 10.695, 28.095, 27.4125)),
        (["low", "low"], (5.795, 21.8375, 10.695, 26.275, 26.9575)),
        (["high", "high"], (48.575, 32.5325, 10.695, 26.275, 26.9575)),
    ],
)
def test_it_looks_where_a_superheterodyne_responds(oscillators: list[str], mhz: tuple[float, ...]) -> None:
    """27.185 MHz with 10.695 and 0.455 MHz: f -+ 2 IF, f -+ IF/2, IF, and the same of the second (worked out, any handbook)."""
    settings = SpuriousResponseSettings.model_validate(
        {
            "check": "spurious_response",
            "intermediate_frequencies": ["10.695 MHz", "455 kHz"],
            "oscillators": oscillators,
        }
    )
    places = settings.places(27_185_000.0)
    assert [27.185 + one.offset_hz / 1e6 for one in places[:5]] == pytest.approx(list(mhz))
    if oscillators[0] == "high":  # roots of m f = n LO +- IF with 37.880 MHz, m and n up to 2
        others = sorted(27.185 + one.offset_hz / 1e6 for one in places[5:])
        assert others == pytest.approx([13.5925, 24.2875, 43.2275, 65.065, 86.455])


@pytest.fixture(scope="module", params=[SOUND, FAULTY])
def measured(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Ran]:
    """Return a serial and the run of its unit."""
    folder = tmp_path_factory.mktemp("run")
    bench = write_bench(folder, interferer=INTERFERER)
    return request.param, run_checks(folder, request.param, check(", limit: {min: 60 dB}"), bench=bench)


def test_the_ratio_is_what_truly_spoils_reception(measured: tuple[str, Ran]) -> None:
    """At image, half of the IF and second image it lies within its uncertainty of the truth, path and match at both frequencies counted."""
    serial, ran = measured
    for name, offset_hz in PLACES_HZ.items():
        result = ran.found(f"spurious response, {name}")
        assert result.value is not None, result.note
        assert result.uncertainty is not None
        assert result.uncertainty < 2.5
        assert abs(result.value - true_ratio_db(serial, offset_hz)) <= result.uncertainty, name
        assert result.budget is not None
        sources = {part.source for part in result.budget.contributions}
        assert ("mismatch, path to unit far from its channel" in sources) is (offset_hz > 1.4e6)


@pytest.mark.parametrize("serial", [SOUND, "MX40-0161"])
def test_a_wanted_level_of_its_own_measures_the_intermediate_frequency_too(
    tmp_path: Path, serial: str
) -> None:
    """Without `wanted:` it lies 3 dB above the sensitivity, where SINAD scatters most; the IF was called unstable there."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    how = f"{{check: spurious_response, channel: 20, {FREQUENCIES}, orders: 1}}"
    one = run_checks(tmp_path, serial, how, bench=bench).found("spurious response, IF")
    assert one.value is not None, one.note
    true = TrueUnit(serial, "FM", 20)
    at_dbm = where(
        lambda dbm: true.hear(true.carrier(dbm, fm_deviation_hz=1_200.0)).mean_sinad_db(),
        12.0,
        -135.0,
        -100.0,
    )
    wanted = true.carrier(at_dbm + 3.0, fm_deviation_hz=1_200.0)
    offset_hz = 10_695_000.0 - 27_205_000.0
    spoils_dbm = where(
        lambda dbm: true.hear(wanted, true.carrier(dbm, offset_hz)).mean_sinad_db(), 12.0, -100.0, 5.0
    )
    assert one.value == pytest.approx(spoils_dbm - at_dbm - 3.0, abs=one.uncertainty)


def test_a_response_is_told_from_blocking(measured: tuple[str, Ran]) -> None:
    """What spoils reception as much beside the place is no response of it; the faulty unit's 2 f - LO is one, and fails."""
    serial, ran = measured
    one = ran.found("spurious response, 2 f - 1 LO = +IF")
    other = ran.found("spurious response, image")
    assert ", a response" in other.note
    assert ("the receiver is blocked" in one.note) is (serial == SOUND)
    assert (one.decision, other.decision) == (
        (Decision.PASS, Decision.PASS) if serial == SOUND else (Decision.FAIL, Decision.FAIL)
    )


def test_the_receiver_is_given_no_more_than_it_is_rated_for(tmp_path: Path) -> None:
    """A search that goes up to the rating spares it what the generator's level may be off by: with this seed it is 0.2 dB high."""
    bench = write_bench(tmp_path, seed=5, interferer=INTERFERER)
    ran = run_checks(tmp_path, SOUND, check(", orders: 1"), bench=bench)
    assert not ran.simulation.hazards


def test_the_model_says_which_frequencies_there_are(tmp_path: Path) -> None:
    """Without frequencies a sequence without a model is refused by name; so is a list too long, and a place on the channel."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    for how, message in (
        ("{check: spurious_response, channel: 20}", "intermediate_frequencies"),
        (check(frequencies="intermediate_frequencies: [], oscillators: [high]"), "0 are listed"),
        (check(frequencies="intermediate_frequencies: [10 kHz], oscillators: [high]"), "would lie at"),
        (check(", interferer_levels: {max: 3 dBm}"), "above the receiver's rating"),
    ):
        with pytest.raises(FileProblems, match=f"(?s){message}"):
            run_checks(tmp_path, SOUND, how, bench=bench)
