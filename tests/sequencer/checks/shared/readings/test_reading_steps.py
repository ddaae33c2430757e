"""An instrument that reads in coarse steps and writes fine digits: half a step is in the uncertainty of every result read by it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import Reading
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from tests.sequencer.checks.test_stated import FM
from tests.support.rig import Rig

CASES = [
    # check, role, what the simulated instrument reads by, step, unit of the result for one of the reading (0: another unit)
    ("carrier_power", "power_meter", "_shown", 0.5, 0.0),
    ("power_against_supply", "power_meter", "_shown", 0.5, 0.0),
    ("channel_sweep", "power_meter", "_shown", 0.5, 0.0),
    ("peak_deviation", "modulation_analyser", "_deviation_of", 100.0, 1.0),
    ("microphone_sensitivity", "modulation_analyser", "_deviation_of", 100.0, 0.0),
    ("transmit_distortion", "modulation_analyser", "_distortion_of", 0.5, 1.0),
    ("residual_modulation", "modulation_analyser", "_deviation_of", 1.0, 0.0),
    ("audio_response", "modulation_analyser", "_deviation_of", 100.0, 0.0),
    ("sinad", "audio_analyser", "_sinad", 1.0, 1.0),
    ("sinad", "audio_analyser", "_sinad", 5.0, 1.0),
    ("sensitivity", "audio_analyser", "_sinad", 1.0, 0.0),
    ("sensitivity", "audio_analyser", "_sinad", 5.0, 0.0),
    ("receive_distortion", "audio_analyser", "_shown", 0.5, 1.0),
    ("audio_output", "audio_analyser", "_shown", 0.1, 0.0),
    ("s9_point", "voltmeter", "_shown", 0.1, 0.0),
    ("supply_current", "supply", "_amperes", 0.1, 1.0),
]


def _rounded(device: Any, method: str, step: float) -> None:
    exact = getattr(device, method)

    def coarse(*arguments: Any) -> Any:
        shown = exact(*arguments)
        return shown if abs(shown) > 1e30 else round(shown / step) * step

    setattr(device, method, coarse)


def _row(folder: Path, check: str, role: str = "", method: str = "", step: float = 0.0) -> Result:
    line = next(one for one in FM.strip().splitlines() if f"check: {check}," in one)
    rows = _rows(folder, line, role, method, step)
    return (
        rows[-1]
        if check == "supply_current"
        else next(one for one in rows if one.budget is not None or one.value is None)
    )


def _rows(
    folder: Path,
    line: str,
    role: str = "",
    method: str = "",
    step: float = 0.0,
    serial: str = "M40-0007",
) -> list[Result]:
    sequence = folder / "one.yaml"
    sequence.write_text(
        "sequence: S\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_supply: {min: 8 V, max: 16 V}\nrated_power: 13 W\n"
        f"checks:\n  - {line}\n",
        encoding="utf-8",
    )
    plan = make_plan(load_sequence(str(sequence)), load_bench("two-signal-bench"), serial=serial)
    rig = Rig(plan, serial)
    if role:
        _rounded(rig.device(role), method, step)
    rig.run()
    return [one for found in rig.record.kept.values() for one in found]


@pytest.mark.parametrize(("check", "role", "method", "step", "share"), CASES)
def test_half_a_step_is_within_the_uncertainty(
    tmp_path: Path, check: str, role: str, method: str, step: float, share: float
) -> None:
    """What an instrument that rounds makes of the same unit lies within U of what a fine one makes of it, or is no number."""
    fine = _row(tmp_path, check)
    coarse = _row(tmp_path, check, role, method, step)
    assert fine.value is not None, fine.note
    assert fine.uncertainty is not None
    if coarse.value is None:
        assert coarse.note
        return
    assert coarse.uncertainty is not None
    assert abs(coarse.value - fine.value) <= coarse.uncertainty
    assert coarse.uncertainty > fine.uncertainty
    assert coarse.uncertainty >= 0.5 * step * share


SEVERAL = [
    # settings, which quantity, role, what it reads by, step, unit of the result for one of the reading, specimen
    (
        "{check: channel_sweep, sweep: [1, 10, 20, 30, 40]}",
        "frequency error",
        "modulation_analyser",
        "_frequency_of",
        10.0,
        1.0,
        "M40-0012",
    ),
    ("{check: path_loss, frequencies: [27 MHz]}", "loss of ", "power_meter", "_shown", 0.5, 1.0, "M40-0007"),
    (
        "{check: agc_span, channel: 20, mode: AM, strong: -33 dBm}",
        "AGC span",
        "audio_analyser",
        "_shown",
        0.5,
        0.0,
        "MX40-0101",
    ),
    (
        "{check: blocking, channel: 20, offsets: [1 MHz], wanted: -110 dBm, fall: 6 dB}",
        "blocking",
        "audio_analyser",
        "_sinad",
        1.0,
        0.0,
        "M40-0007",
    ),
]


@pytest.mark.parametrize(("line", "quantity", "role", "method", "step", "share", "serial"), SEVERAL)
def test_a_step_is_in_what_several_readings_make(
    tmp_path: Path,
    line: str,
    quantity: str,
    role: str,
    method: str,
    step: float,
    share: float,
    serial: str,
) -> None:
    """A counter of a sweep, a meter of a loss, the loudspeaker at a strong level, SINAD to fall from: the fine one is within U."""
    fine = [one for one in _rows(tmp_path, line, serial=serial) if one.quantity.startswith(quantity)]
    coarse = [
        one
        for one in _rows(tmp_path, line, role, method, step, serial=serial)
        if one.quantity.startswith(quantity)
    ]
    assert fine
    for was, now in zip(fine, coarse, strict=True):
        assert was.value is not None, was.note
        assert now.value is not None, now.note
        assert was.uncertainty is not None
        assert now.uncertainty is not None
        assert abs(now.value - was.value) <= now.uncertainty
        assert now.uncertainty > was.uncertainty
        assert now.uncertainty >= 0.5 * step * share


@pytest.mark.parametrize(
    ("answers", "step"),
    [
        (["12.00", "13.00", "12.00"], 1.0),
        (["10.00", "15.00", "10.00"], 5.0),
        (["12.00", "12.00", "12.00"], 1.0),
        (["1.900000E+03", "1.900000E+03"], 100.0),
        (["1900", "2000", "1900"], 100.0),
        (["0.35", "0.35", "0.35"], 0.05),
        (["0.352", "0.352"], 0.001),
        (["12.31", "12.35", "12.38"], 0.01),
        (["0.000", "0.000"], 0.001),
        (["12.3", "about 12"], 0.0),
        (["", ""], 0.0),
    ],
)
def test_the_step_is_what_all_answers_are_multiples_of(answers: list[str], step: float) -> None:
    """Digits that never carry anything are none; like answers are as coarse as they may be."""
    numbers = [1.0 if not one[:1].isdigit() else float(one.split()[0]) for one in answers if one] or [1.0] * 2
    if any(" " in one for one in answers):
        numbers = [1.0] * len(answers)
    readings = [Reading(number=number, raw=raw) for number, raw in zip(numbers, answers, strict=True)]
    assert math.isclose(step_seen(readings), step, rel_tol=1e-9)


def test_the_step_is_in_the_readings_unit() -> None:
    """A meter that answers millivolts, read in volts; one behind a path's loss, where only the difference counts."""
    scaled = [Reading(number=float(raw) / 1e3, raw=raw) for raw in ("1210", "1220", "1210")]
    assert step_seen(scaled) == pytest.approx(0.01)
    behind = [Reading(number=float(raw) + 30.1, raw=raw) for raw in ("5.50", "6.00", "5.50")]
    assert step_seen(behind) == pytest.approx(0.5)
