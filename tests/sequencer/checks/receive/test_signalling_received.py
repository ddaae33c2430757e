"""Signalling received: the level at which a decoder opens, and what else opens it. Truth is asked of a unit that nothing stands before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.checks.shared.signalling import sender
from sequencer.problems import FileProblems
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench
from sim.rf_signal import Below, RfSignal
from tests.support.running import Ran, run_checks
from tests.support.truth import TrueUnit, where

BENCH = Path("sim/signalling-bench.yaml")
UNITS = BENCH.resolve().parent / "units"
KINDS = {
    "tone": "check: signalling_received, channel: 20, tone: 88.5 Hz, signalling_deviation: 300 Hz, opening: {max: -118 dBm}, shut_for: 5 s",
    "code": "check: signalling_received, channel: 20, code: D023N, signalling_deviation: 300 Hz, opening: {max: -118 dBm}, shut_for: 5 s",
}
OPENS, CLOSES = "signalling opens", "signalling closes"
LOWER, UPPER, NONE = ("false openings, " + name for name in ("85.4 Hz", "91.5 Hz", "no tone"))
INVERSE, NO_CODE = "false openings, inverse code", "false openings, no code"


def run(
    folder: Path,
    serial: str,
    check: str = "",
    *,
    seed: int = 1,
    decoder: str = "",
    before: Callable[[SimulatedBench], Any] | None = None,
) -> Ran:
    """Run the check on a specimen, or on one with another ``decoder``."""
    units = UNITS
    if decoder:
        units = folder / "units"
        units.mkdir()
        text = f"serial: {serial}\ndescription: of this test\ndecoder: {{{decoder}}}\n"
        (units / f"{serial.lower()}.yaml").write_text(text, encoding="utf-8")
    write_bench(folder, seed, units)
    check = check or KINDS["tone"]
    return run_checks(folder, serial, f"{{{check}}}", bench=str(folder / "bench.yaml"), before=before)


def write_bench(folder: Path, seed: int, units: Path = UNITS) -> None:
    """Write that bench with another seed."""
    text = BENCH.read_text(encoding="utf-8").replace("seed: 1", f"seed: {seed}")
    (folder / "bench.yaml").write_text(text.replace("unit: units ", f"unit: {units} "), encoding="utf-8")


def true_level_dbm(serial: str, kind: str, *, closing: bool = False) -> float:
    """Return the level at which what the specimen's decoder listens for stands as far above the noise as it wants."""
    true = TrueUnit(serial, "FM", 20)
    decoder = true.unit.specimen.decoder
    assert decoder is not None
    below = Below(deviation_hz=300.0, tone_hz=88.5)
    if kind == "code":
        below = Below(deviation_hz=300.0, bits="".join(map(str, sender.bits_of("D023N"))), bit_rate=134.4)

    def above_db(level_dbm: float) -> float:
        signal = true.carrier(level_dbm, fm_deviation_hz=1200.0, tone_hz=1000.0)
        true.hear(replace(signal, below=below))
        return true.unit.below_speech_db()

    wants_db = decoder.threshold_db - (decoder.hysteresis_db if closing else 0.0)
    return where(above_db, wants_db, -135.0, -90.0)


@pytest.mark.parametrize(
    ("serial", "kind"), [("M40-0091", "tone"), ("M40-0093", "tone"), ("M40-0094", "code")]
)
def test_the_levels_are_the_unit_s(tmp_path: Path, serial: str, kind: str) -> None:
    """Opening and closing lie within U of the truth; the deaf decoder opens beyond its limit, and nothing else opens any of them."""
    ran = run(tmp_path, serial, KINDS[kind])
    for quantity in (OPENS, CLOSES):
        found = ran.found(quantity)
        assert found.value is not None, found.note
        assert found.uncertainty is not None
        assert found.uncertainty < 1.0
        true_dbm = true_level_dbm(serial, kind, closing=quantity == CLOSES)
        assert abs(found.value - true_dbm) <= found.uncertainty
    wrong = (LOWER, UPPER, NONE) if kind == "tone" else (INVERSE, NO_CODE)
    assert [ran.number(quantity) for quantity in wrong] == [0.0] * len(wrong)
    passes = serial != "M40-0093"
    assert ran.found(OPENS).decision is (Decision.PASS if passes else Decision.FAIL)
    assert ran.outcome.status is (ExitStatus.PASSED if passes else ExitStatus.FAILED)
    assert 0.8 <= ran.simulation.clock.now_s() / ran.plan.forecast_s <= 1.25


@pytest.mark.parametrize(
    ("serial", "kind", "counted"),
    [
        ("M40-0092", "tone", {LOWER: 1, UPPER: 1, NONE: 0}),
        ("M40-0095", "code", {INVERSE: 1, NO_CODE: 0}),
        ("M40-0096", "tone", {LOWER: 1, UPPER: 1, NONE: 1}),
    ],
)
def test_what_opens_for_others_fails(tmp_path: Path, serial: str, kind: str, counted: dict[str, int]) -> None:
    """The tones beside its own, a code turned round, or nothing at all: each is counted, and said to have stood open throughout."""
    ran = run(tmp_path, serial, KINDS[kind])
    for quantity, number in counted.items():
        found = ran.found(quantity)
        assert found.value == number
        assert found.decision is (Decision.FAIL if number else Decision.PASS)
        assert ("open at 50 of 50 looks" if number else "none in 5 s") in found.note
    assert ran.outcome.status is ExitStatus.FAILED


def test_chance_openings_are_counted_and_none_is_no_proof(tmp_path: Path) -> None:
    """One that opens every four seconds is caught over 20 s; none in 20 s leaves up to 9 a minute (3.0 in 20 s, exact Poisson bound)."""
    check = KINDS["tone"].replace("shut_for: 5 s", "shut_for: 20 s")
    (tmp_path / "faulty").mkdir()
    faulty = run(tmp_path / "faulty", "M40-0098", check)
    assert sum(faulty.number(quantity) for quantity in (LOWER, UPPER, NONE)) >= 5
    assert faulty.outcome.status is ExitStatus.FAILED
    sound = run(tmp_path, "M40-0091", check).found(NONE)
    assert "none in 20.1 s: with 95 % confidence it opens by chance less than 8.9 a minute" in sound.note


def test_a_unit_set_to_another_tone_is_why_it_stays_shut(tmp_path: Path) -> None:
    """No level, but a finding against the unit, and which tone opens it."""
    ran = run(tmp_path, "M40-0097")
    assert ran.found(OPENS).value is None
    assert "stays shut for 88.5 Hz, and opens for 91.5 Hz" in ran.found(OPENS).note
    assert ran.outcome.status is ExitStatus.FAILED


def test_a_decoder_slower_than_stated_gives_no_level(tmp_path: Path) -> None:
    """One that takes a second is found out with 250 ms, and measured where the second is stated."""
    slow = "tone: 88.5 Hz, detect: 1 s, release: 0.6 s"
    (tmp_path / "stated").mkdir()
    ran = run(tmp_path, "M40-0911", decoder=slow)
    assert ran.found(OPENS).value is None
    ran = run(tmp_path / "stated", "M40-0911", KINDS["tone"] + ", detect: 1.2 s", decoder=slow)
    found = ran.found(OPENS)
    assert found.value is not None, found.note
    assert found.uncertainty is not None
    assert abs(found.value - true_level_dbm("M40-0091", "tone")) <= found.uncertainty


def _second_stands_still(simulation: SimulatedBench) -> None:
    """Let the second source make the first tone that it is told for ever, once it is on."""
    generator: Any = next(
        one for one in simulation.devices.values() if type(one).__name__ == "SignalGenerator"
    )
    told, first = generator._signal, list[Below]()

    def give() -> RfSignal | None:
        signal: RfSignal | None = told()
        if signal is None:
            return None
        if signal.below is not None:
            first.append(signal.below)
        if not first:
            return signal
        alone = {} if generator.fm_on[1] else {"fm_deviation_hz": 300.0, "tone_hz": first[0].tone_hz}
        return replace(signal, below=first[0], **alone)

    generator._signal = give


def test_a_second_source_that_stands_still_is_not_the_unit_s_fault(tmp_path: Path) -> None:
    """It reads back what it is told and makes the right tone throughout: no count, for a sound unit opens for all of it then."""
    ran = run(tmp_path, "M40-0091", before=_second_stands_still)
    for quantity in (LOWER, UPPER, NONE):
        found = ran.found(quantity)
        assert found.value is None
        assert "nothing shows that the generator's second source does what it is told" in found.note
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


def _second_is_ignored(simulation: SimulatedBench) -> None:
    """Let the second source read back as told and modulate nothing."""
    generator: Any = next(
        one for one in simulation.devices.values() if type(one).__name__ == "SignalGenerator"
    )
    told = generator._signal

    def give() -> RfSignal | None:
        signal: RfSignal | None = told()
        return None if signal is None else replace(signal, below=None)

    generator._signal = give


@pytest.mark.parametrize(("serial", "kind"), [("M40-0091", "tone"), ("M40-0094", "code")])
def test_a_second_source_that_is_ignored_is_not_the_unit_s_fault(
    tmp_path: Path, serial: str, kind: str
) -> None:
    """A sound unit stays shut throughout: neither a level nor a count of nought openings, and the generator is named among the causes."""
    ran = run(tmp_path, serial, KINDS[kind], before=_second_is_ignored)
    found = [
        one for one in ran.outcome.results if one.unit in ("dBm", "openings") or "openings" in one.quantity
    ]
    assert found
    assert {one.value for one in found} == {None}
    assert all("generator's second source does what it is told" in one.note for one in found)
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


def test_a_unit_without_signalling_on_is_told_as_such(tmp_path: Path) -> None:
    """A squelch that stands open without a signal gives words, and neither count nor level."""
    ran = run(tmp_path, "M40-0007")
    assert "it stands open without a signal" in ran.found(OPENS).note
    assert ran.found(NONE).value is None


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ("tone: 88.4 Hz", "no list has a tone of 88.4 Hz.*nearest is 88.5 Hz.*neighbours"),
        ("tone: 88.5 Hz, code: D023N", "a tone and a code are given"),
        ("accuracy: 1 dB", "not said what opens the unit"),
        ("code: D024N", "there is no code 'D024N'"),
        ("code: D023N, neighbours: [85.4 Hz]", "a code has no tones beside it"),
        ("tone: 88.5 Hz, neighbours: [88.4 Hz]", "is the unit's own tone"),
        ("tone: 88.5 Hz, mode: AM", "AM"),
        ("tone: 88.5 Hz, strong: 3 dBm", "above the receiver's rating"),
    ],
)
def test_bad_input_is_one_clear_complaint(tmp_path: Path, how: str, message: str) -> None:
    """A tone of no list, no such code, both, none, a mode and a level that cannot be."""
    check = f"check: signalling_received, channel: 20, signalling_deviation: 300 Hz, {how}"
    with pytest.raises(FileProblems, match=f"(?s){message}"):
        run(tmp_path, "MX40-0101" if "AM" in how else "M40-0091", check)


def test_a_generator_without_a_second_source_is_refused(tmp_path: Path) -> None:
    """Its profile has none of the commands: said before anything is sent."""
    with pytest.raises(FileProblems, match=r"(?s)second_.*scpi-1999"):
        run_checks(tmp_path, "M40-0091", f"{{{KINDS['tone']}}}")


def test_neighbours_and_inverses_are_those_of_the_published_lists() -> None:
    """Tones: two data sheets of tone chips; inverses of five codes: a published table of code inversion (seen; 023 and 047, and so on)."""
    assert sender.listed_neighbours(88.5) == (85.4, 91.5)
    assert sender.listed_neighbours(67.0) == (69.3,)
    assert sender.listed_neighbours(100.0) == (97.4, 103.5)
    assert sender.listed_neighbours(88.4) == ()
    for code, inverse in (("023", "047"), ("025", "244"), ("026", "464"), ("031", "627"), ("032", "051")):
        assert sender.inverse_of(f"D{code}N").name == f"D{code}I (D{inverse}N)"
