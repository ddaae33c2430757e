"""An audio source that reads back the level it was told and drives the microphone input with another: nothing is decided by it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig

SERIAL = "MX40-0101"
HEAD = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 12 W
prepare:
  - confirm: knobs right
checks:
"""
CHECKS = {
    "deviation": "peak_deviation, channel: 20, drive: 10 mV, limit: {min: 1 kHz, max: 2 kHz}",
    "deviation above": "peak_deviation, channel: 20, drive: 10 mV, above: 20 dB, tone: [1 kHz, 2 kHz], limit: {max: 2 kHz}",
    "deviation, samples": "peak_deviation, channel: 20, drive: 10 mV, read: samples, limit: {min: 1 kHz, max: 2 kHz}",
    "depth": "modulation_depth, mode: AM, channel: 20, drive: 10 mV, limit: {min: 30 %, max: 100 %}",
    "depth, samples": "modulation_depth, mode: AM, channel: 20, drive: 10 mV, read: samples, limit: {max: 100 %}",
    "sensitivity": "microphone_sensitivity, channel: 20, maximum: 2 kHz, limit: {min: 5 mV, max: 20 mV}",
    "distortion": "transmit_distortion, channel: 20, drive: 10 mV, limit: {max: 10 %}",
    "response": "audio_response, channel: 20, drive: 3 mV, tones: [300 Hz, 3 kHz], within: 6 dB",
    "response in AM": "audio_response, mode: AM, channel: 20, drive: 3 mV, tones: [300 Hz, 2 kHz], within: 6 dB",
    "suppression": "ssb_suppression, mode: USB, channel: 20, drive: 5 mV, carrier: {min: 40 dB}, sideband: {min: 40 dB}",
    "residual, FM": "residual_modulation, channel: 20, limit: {min: 34 dB}",
    "residual, AM": "residual_modulation, mode: AM, channel: 20, limit: {min: 34 dB}",
    "envelope power": "carrier_power, mode: USB, channel: 20, drive: 5 mV, limit: {max: 12 W}",
}

COMPRESSED = "peak_deviation, channel: 20, drive: 100 mV, tone: [1 kHz], limit: {max: 2 kHz}"


def _rig(folder: Path, check: str) -> Rig:
    file = folder / "one.yaml"
    file.write_text(f"{HEAD}  - {{check: {CHECKS.get(check, COMPRESSED)}}}\n", encoding="utf-8")
    bench = load_bench("sim/two-signal-bench.yaml")
    return Rig(make_plan(load_sequence(str(file)), bench, serial=SERIAL), SERIAL)


def _gives(rig: Rig, level_v: float) -> None:
    """Let the source drive with ``level_v`` V rms whatever level was asked for, whenever it is on."""
    unit = rig.simulation.wiring.unit
    drive = unit.set_microphone

    def other(tone_hz: float, volts: float, *, second_hz: float, second_v: float) -> None:
        there_v = [level_v if asked_v > 0.0 else 0.0 for asked_v in (volts, second_v)]
        drive(tone_hz, there_v[0], second_hz=second_hz, second_v=there_v[1])

    unit.set_microphone = other


def _measured(rig: Rig) -> list[Result]:
    """Run, and return what its one check found, without what was confirmed before it."""
    rig.run()
    return rig.record.kept.get(rig.plan.steps[-1].index, [])


@pytest.mark.parametrize("level_v", [0.0, 20e-3], ids=["dead", "stuck"])
@pytest.mark.parametrize("check", [one for one in CHECKS if not one.startswith("residual")])
def test_a_source_that_does_not_give_its_level_decides_nothing(
    tmp_path: Path, check: str, level_v: float
) -> None:
    """A dead source, or one that stands at 20 mV: not measured, and where a drive was proved the note says that nothing follows it."""
    rig = _rig(tmp_path, check)
    _gives(rig, level_v)
    results = _measured(rig)
    assert results
    assert [one.decision for one in results] == [Decision.NOT_MEASURED] * len(results), results
    assert all(one.note for one in results)


@pytest.mark.parametrize(
    ("stands_at", "told"),
    [("one drive", "nothing shows that the source was off"), ("on", "the source was not off")],
)
@pytest.mark.parametrize("mode", ["FM", "AM"])
def test_a_source_that_stays_on_fails_nobody_s_hum(
    tmp_path: Path, mode: str, stands_at: str, told: str
) -> None:
    """It says that it is off and drives the unit, at one level or as was asked for last: not measured, and told what to look at."""
    rig = _rig(tmp_path, f"residual, {mode}")
    unit = rig.simulation.wiring.unit
    drive = unit.set_microphone
    last_v = [100e-3]

    def stays_on(tone_hz: float, volts: float, **second: float) -> None:
        if stands_at == "on":
            last_v[0] = volts or last_v[0]
        drive(1000.0, last_v[0], **second)

    unit.set_microphone = stays_on
    (result,) = _measured(rig)
    assert result.decision is Decision.NOT_MEASURED, result
    assert told in result.note, result.note


@pytest.mark.parametrize("mode", ["FM", "AM"])
def test_a_unit_that_hums_fails(tmp_path: Path, mode: str) -> None:
    """Hum of its own, 10 dB below normal test modulation, beside what the source drives: a figure, and failed by it."""
    rig = _rig(tmp_path, f"residual, {mode}")
    unit = rig.simulation.wiring.unit
    drive = unit.set_microphone
    unit.set_microphone = lambda tone_hz, volts, **second: drive(
        tone_hz if volts > 2e-3 else 1000.0, max(volts, 2e-3), **second
    )
    (result,) = _measured(rig)
    assert result.decision is Decision.FAIL, result
    assert result.value is not None


@pytest.mark.parametrize("check", ["deviation", "depth", "suppression", "envelope power"])
@pytest.mark.parametrize(
    ("level_v", "told"),
    [
        (0.0, "nor the audio source being off. Look at the lead"),
        (20e-3, "speech compressor in the unit holds it (switch it off)"),
    ],
    ids=["dead", "stuck"],
)
def test_what_stands_with_the_source_off_is_told_from_what_goes(
    tmp_path: Path, check: str, level_v: float, told: str
) -> None:
    """A lead that is off, and a compressor or a source whose level stands, are two things to look at: the source off tells them apart."""
    rig = _rig(tmp_path, check)
    if level_v:
        _gives(rig, level_v)
    else:  # hum of the unit's own, whatever is connected to its microphone input
        drive = rig.simulation.wiring.unit.set_microphone
        rig.simulation.wiring.unit.set_microphone = lambda tone_hz, volts, **second: drive(
            1000.0, 10e-3, second_hz=1600.0, second_v=10e-3 if check == "envelope power" else 0.0
        )
    results = _measured(rig)
    assert [one.decision for one in results] == [Decision.NOT_MEASURED] * len(results), results
    assert all(told in one.note for one in results), [one.note for one in results]


def test_a_compressor_that_60_db_leave_is_measured(tmp_path: Path) -> None:
    """A unit whose microphone amplifier holds its level over 50 dB: with the drive 60 dB lower the deviation falls, and it stands."""
    rig = _rig(tmp_path, "compressed")
    unit = rig.simulation.wiring.unit
    drive = unit.set_microphone

    def held(tone_hz: float, volts: float, *, second_hz: float, second_v: float) -> None:
        drive(tone_hz, min(10e-3, 31.6 * volts), second_hz=second_hz, second_v=second_v)

    unit.set_microphone = held
    assert all(one.value is not None for one in _measured(rig))


@pytest.mark.parametrize("check", CHECKS)
def test_a_sound_source_is_measured_by(tmp_path: Path, check: str) -> None:
    """The proof takes nothing from a sound bench."""
    results = _measured(_rig(tmp_path, check))
    assert results
    assert all(one.value is not None for one in results), results
