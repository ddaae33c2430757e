"""Searches through a person's hands, without a terminal: how many readings they ask for, and answers that are taken back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.operator.prompt import TakenBack
from sequencer.bench.open_bench import OpenBench
from sequencer.checks.base import Check, Conditions, Finding
from sequencer.checks.receive.s9_point import S9Point, S9PointSettings
from sequencer.checks.receive.sensitivity import Sensitivity, SensitivitySettings
from sequencer.checks.shared.readings import operator as by_hand
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.parts import bench_parts
from sequencer.results.model import Point
from sequencer.search.protocol import Ask
from tests.support.person_at_terminal import ROOT, attentive

TEXT = (ROOT / "sim" / "manual-bench.yaml").read_text()
VOLTMETER = "    address: TCPIP0::192.0.2.15::5025::SOCKET\n    accuracy: {voltage: 0.5 %}\n"
METER_BY_EYE = "    driver: operator\n    dial: S units\n    s9: 2.25 V\n"
CHANNEL_20_HZ = 27.205e6  # ECC/DEC/(11)03


class Attentive:
    """A person who does what is asked and types what the dial shows; counts the readings."""

    def __init__(self, answer: Callable[[str], str] = attentive) -> None:
        self.readings = 0
        self._answer = answer

    def ask(self, text: str, *, within_s: float | None = None) -> str:
        """Answer, and count the readings."""
        self.readings += text.startswith("Read ")
        return self._answer(text)

    def stop(self, why: str) -> None:
        """Fail: nothing here stops a run."""
        raise AssertionError(why)


def load(folder: Path, *, seed: int = 1) -> LoadedBench:
    """Return the shipped manual bench with a signal meter read by eye, and a seed of its own."""
    assert VOLTMETER in TEXT
    text = TEXT.replace(VOLTMETER, METER_BY_EYE).replace("seed: 1", f"seed: {seed}")
    file = folder / f"bench-{seed}.yaml"
    file.write_text(text.replace("unit: units", f"unit: {ROOT / 'sim' / 'units'}"))
    return load_bench(str(file))


def measure(loaded: LoadedBench, check: Check, settings, person: Attentive, serial: str) -> list[Finding]:
    """Return what a receive-side check finds through a person."""
    parts = replace(bench_parts(loaded, serial=serial, dry_run=False), person=person)
    conditions = Conditions(bench=loaded.bench, channel=20, frequency_hz=CHANNEL_20_HZ, mode="FM")
    with OpenBench(parts) as bench:
        bench.safe.set_supply(13.2)
        bench.clock.wait_s(0.5)
        bench.confirm_knobs()
        where = {"channel": 20, "mode": "FM", "frequency_hz": CHANNEL_20_HZ}
        with bench.safe.receive_side(**where) as side:
            return check.receive(side, settings, conditions)


@pytest.mark.parametrize("seed", [2, 7])
@pytest.mark.parametrize("serial", ["M40-0007", "M40-0011"])
@pytest.mark.parametrize(
    ("check", "settings"),
    [
        (Sensitivity(), SensitivitySettings(check="sensitivity")),
        (Sensitivity(), SensitivitySettings(check="sensitivity", accuracy_db=0.5)),
        (S9Point(), S9PointSettings(check="s9_point", target_v=2.25)),
        (S9Point(), S9PointSettings(check="s9_point", target_v=2.25, meter="segments")),
    ],
)
def test_a_search_by_hand_asks_for_at_most_15_readings(tmp_path, check, settings, serial, seed):
    """Sound and deaf specimens: SINAD to 1 dB and to a stated 0.5 dB, a needle and a bar both ways, each found within 15 readings."""
    person = Attentive()
    findings = measure(load(tmp_path, seed=seed), check, settings, person, serial)
    assert findings[0].value is not None, findings[0].note
    assert 1 <= person.readings <= 15


def test_a_person_who_sees_nothing_is_a_reason_and_not_a_number(tmp_path):
    """ "no reading" again and again ends the search with a status in words."""
    person = Attentive(lambda text: "no reading" if text.startswith("Read ") else attentive(text))
    (finding,) = measure(
        load(tmp_path), Sensitivity(), SensitivitySettings(check="sensitivity"), person, "M40-0007"
    )
    assert finding.value is None
    assert "no response" in finding.note
    assert person.readings <= 15


@pytest.mark.parametrize(("grain", "grain_db"), [(0.25, 1.5), (0.5, 5.0)])
def test_s9_read_to_a_part_of_an_s_unit_lies_within_its_uncertainty(tmp_path, grain, grain_db):
    """A person who reads to a quarter or to half an S-unit gets S9 with a budget that covers what the coarse reading costs.

    The reference is the same specimen on the same bench with the meter's line read by the voltmeter, -72.6 dBm.
    """

    def coarse(text: str) -> str:
        if not text.startswith("Read "):
            return attentive(text)
        shown = attentive(text).removesuffix(" dB")
        units, _, over = shown.removeprefix("S").partition("+")
        if over:
            return f"S9+{grain_db * round(float(over) / grain_db):g}"
        return f"S{grain * round(float(units) / grain):g}"

    person = Attentive(coarse)
    settings = S9PointSettings(check="s9_point", target_v=2.25)
    (finding,) = measure(load(tmp_path), S9Point(), settings, person, "M40-0007")
    assert person.readings <= 15
    assert finding.value is not None
    assert finding.budget is not None
    assert abs(finding.value + 72.6) <= finding.budget.expanded
    assert any(one.source.startswith("meter voltage") for one in finding.budget.contributions)


class Ladder:
    """A search that asks for three levels in turn."""

    def __init__(self) -> None:
        self.told: list[float] = []

    @property
    def ask(self) -> Ask | None:
        """The next of three levels."""
        return (
            None if len(self.told) == 3 else Ask(level_db=-float(len(self.told)), wait_s=0.0, reading_s=0.1)
        )

    def tell(self, reading: float) -> None:
        """Keep a reading."""
        self.told.append(reading)

    @property
    def result(self) -> list[float]:
        """The readings kept."""
        return self.told


def test_back_goes_back_by_one_answer_each_time(tmp_path):
    """Two answers taken back are asked for again at their own levels, and their points are gone; before the first there is nothing."""
    conditions = Conditions(bench=load(tmp_path).bench, channel=20, frequency_hz=CHANNEL_20_HZ, mode="FM")
    script: list[float | None] = [None, 1.0, 99.0, None, 2.0, 3.0]
    asked: list[float] = []
    points: list[Point] = []

    def measure_one(ask: Ask) -> float:
        asked.append(ask.level_db)
        answer = script.pop(0)
        if answer is None:
            raise TakenBack
        points.append(
            Point(
                level_db=ask.level_db, reading=answer, state="in range", reading_s=0.1, at_s=float(len(asked))
            )
        )
        return answer

    found = by_hand.find_with_person(Ladder(), measure_one, points, conditions, "audio_analyser")
    assert found == [1.0, 2.0, 3.0]
    assert asked == [0.0, 0.0, -1.0, -2.0, -1.0, -2.0]
    assert [point.reading for point in points] == [1.0, 2.0, 3.0]


def test_without_a_person_nothing_of_this_happens():
    """On the shipped automatic bench accuracy, reading times and budget are the search's own."""
    conditions = Conditions(
        bench=load_bench("bench").bench, channel=20, frequency_hz=CHANNEL_20_HZ, mode="FM"
    )
    assert not by_hand.is_by_hand(conditions, "audio_analyser")
    assert by_hand.accuracy_db(0.5, is_stated=False, conditions=conditions, reader="voltmeter") == 0.5
    assert by_hand.reading_budget(conditions, "voltmeter", 60) == 60
    assert len(list(by_hand.reading_times(conditions, "voltmeter"))) > 1  # type: ignore[arg-type]
