"""What a bench of dials asks of a person: few prompts, one reading for each figure, and the dial's digits in the budget."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.model import Result
from sequencer.uncertainty.contributions import ONE_READING
from tests.support.desk import ROOT, Attentive, by_hand, run_by_hand
from tests.support.running import Ran

NETWORKED_BENCH = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
DIALS = ("power_meter", "modulation_analyser", "voltmeter", "supply", "switch", "radio")
"""All but generator and audio analyser in a person's hands."""


def sequence(folder: Path, checks: str) -> str:
    """Return the path of a sequence of ``checks``, a line each."""
    file = folder / "by-hand.yaml"
    items = "\n".join(f"  - {line.strip()}" for line in checks.strip().splitlines())
    file.write_text(
        f"sequence: by hand\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n{items}\n"
    )
    return str(file)


@pytest.fixture(scope="module")
def transmitting(tmp_path_factory: pytest.TempPathFactory) -> tuple[Ran, Attentive]:
    """Power, frequency and deviation on a bench where a person reads the meters."""
    folder = tmp_path_factory.mktemp("by-hand")
    checks = """
        {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}
        {check: carrier_power, channel: 40, readings: 3}
        {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
        {check: peak_deviation, channel: 20, tone: 1 kHz, drive: 100 mV}
        {check: supply_current, channel: 20}
    """
    return run_by_hand(folder, sequence(folder, checks), by_hand(NETWORKED_BENCH, DIALS))


def readings(person: Attentive, what: str) -> list[str]:
    """Return the prompts that ask for a reading of ``what``."""
    return [
        text for text in person.asked if f"read {what}" in text.lower() and "PTT stays RELEASED" not in text
    ]


def parts_of(result: Result) -> dict[str, float]:
    """Return the half-widths or deviations of a result's budget, by what they come from."""
    assert result.budget is not None
    return {row.source: row.stated for row in result.budget.contributions}


def test_a_dial_is_read_once_for_each_figure(transmitting: tuple[Ran, Attentive]) -> None:
    """A person reads the same off a dial again: one reading a figure, as many as the sequence asks for where it does."""
    ran, person = transmitting
    assert ran.outcome.status == 0
    assert len(readings(person, "the power on the power meter at 27.205 mhz")) == 1
    assert len(readings(person, "the power on the power meter at 27.405 mhz")) == 3
    assert len(readings(person, "the carrier frequency")) == 1
    assert len(readings(person, "the positive peak deviation")) == 1
    assert len(readings(person, "the negative peak deviation")) == 1
    assert len(readings(person, "the current")) == 2


def test_the_digits_of_a_dial_stand_in_the_budget(transmitting: tuple[Ran, Attentive]) -> None:
    """One reading has no scatter: plus and minus the last digit typed stands in its place, rectangular.

    The simulated meter shows milliwatts to four digits: 0.001 mW of 3.63 mW is 0.0012 dB. The deviation is shown in steps of 10 Hz.
    """
    ran, _person = transmitting
    power = parts_of(ran.found("carrier power", 20))
    assert power[ONE_READING] == pytest.approx(0.0012, rel=0.05)
    assert "repeatability of the power reading" not in power
    assert "repeatability of the power reading" in parts_of(ran.found("carrier power", 40))
    assert parts_of(ran.found("peak deviation, positive"))[ONE_READING] == pytest.approx(10.0)
    assert parts_of(ran.found("frequency error"))[ONE_READING] == pytest.approx(1.0, abs=0.01)


def test_a_coarse_answer_widens_the_result(tmp_path: Path) -> None:
    """Who types 4 where the dial shows 3.63 says that it may be 3 or 5 mW: the result is that much less certain."""
    coarse = Attentive(answer=lambda text: "4 mW" if "old push-to-talk" in text else None)
    checks = sequence(tmp_path, "{check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}")
    ran, _person = run_by_hand(tmp_path, checks, by_hand(NETWORKED_BENCH, DIALS), person=coarse)
    result = ran.found("carrier power")
    assert result.uncertainty is not None
    # 10 lg(5/4) = 0.97 dB either way, rectangular: 0.56 dB standard, 1.1 dB expanded, 25 % of 4.1 W
    assert 0.9 < result.uncertainty < 1.3


ALL_BUT_SUPPLY_AND_VOLTMETER = (
    "signal_generator",
    "power_meter",
    "modulation_analyser",
    "audio_analyser",
    "switch",
    "radio",
)


@pytest.fixture(scope="module", params=[DIALS, ALL_BUT_SUPPLY_AND_VOLTMETER], ids=["dials", "generator-too"])
def acceptance(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Ran, Attentive]:
    """The acceptance sequence on a bench of which two instruments answer by themselves."""
    bench = by_hand(NETWORKED_BENCH, request.param)
    return run_by_hand(tmp_path_factory.mktemp("acceptance"), "fm-mobile-acceptance", bench)


def test_an_acceptance_asks_about_thirty_times(acceptance: tuple[Ran, Attentive]) -> None:
    """Twelve results of a bench of dials cost at most 30 prompts, and "done" is typed where cables, PTT and RF are concerned only.

    A generator that a person sets has a prompt for each level of both searches too.
    """
    ran, person = acceptance
    assert ran.outcome.status == 0
    assert len([one for one in ran.outcome.results if one.unit]) == 12
    assert person.counts["prompts"] <= 30
    typed = [text for text, answer in zip(person.asked, person.typed, strict=True) if answer == "done"]
    assert all(text.startswith("SAFETY: ") for text in typed)


def test_steps_are_asked_with_the_reading_that_needs_them(acceptance: tuple[Ran, Attentive]) -> None:
    """Channel and tuning stand in the prompt of the reading; a power reading asks for no tuning of the analyser."""
    _ran, person = acceptance
    powers = readings(person, "the power")
    assert "Select channel 40 on the unit. Then hold push-to-talk (PTT), read the power" in " ".join(powers)
    assert "Tune" not in " ".join(powers)
    (counted,) = [text for text in readings(person, "the carrier frequency") if "27.235 MHz" in text]
    assert counted.startswith(
        "Select channel 24 on the unit. Tune the modulation analyser to 27.235 MHz. Then hold"
    )


def test_who_keys_keeps_the_unit_warm(acceptance: tuple[Ran, Attentive]) -> None:
    """A power after 20 s is read after 20 s of the person's own holding, and this specimen gives less when it is warm."""
    ran, person = acceptance
    (warm,) = [text for text in person.asked if "keep it held for 20 s (Enter counts them down)" in text]
    assert "read the power" in warm
    cold, hot = ran.number("carrier power", 20), ran.number("carrier power after 20 s")
    assert 0.03 < cold - hot < 0.3


def test_a_supply_that_answers_by_itself_is_read_under_load_once(acceptance: tuple[Ran, Attentive]) -> None:
    """Once with each voltage PTT is held for the supply's own reading; where a person sets the supply there is nothing to read.

    PTT is then released with the dial that it was held for, and nothing more is asked about it.
    """
    _ran, person = acceptance
    held = [at for at, text in enumerate(person.asked) if "ress and HOLD" in text]
    assert len(held) == (0 if any("Set the supply" in text for text in person.asked) else 1)
    for at in held:
        assert "(THE UNIT IS TRANSMITTING" in person.asked[at + 1]
        assert "RELEASE push-to-talk (PTT), then type what you read" in person.asked[at + 1]
        assert person.asked[at + 2].startswith("PTT stays RELEASED")


def test_what_stands_on_a_dial_is_in_the_report(tmp_path: Path) -> None:
    """A dial cannot be asked who it is: the bench file says make, model and serial number, and the report shows them."""
    named = {"power_meter": "    make: Ferncroft\n    model: PM 12\n    serial: '0815'\n"}
    checks = sequence(tmp_path, "{check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}")
    run_by_hand(tmp_path, checks, by_hand(NETWORKED_BENCH, DIALS, named))
    page = tmp_path / "report.html"
    words = ["report", "last", str(page), "--folder", str(tmp_path / "results")]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    text = " ".join(re.sub("<[^>]*>", " ", page.read_text(encoding="utf-8")).split())
    assert "Ferncroft PM 12 (by hand), serial 0815" in text
