"""`record_audio` on the simulated bench: what is in the file, what the results say, and a disk that is full."""

from __future__ import annotations

import hashlib
import io
import re
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from drivers.roles import Samples
from sequencer.checks.unit.record_audio import wav_bytes
from sequencer.problems import FileProblems
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.rig import Rig
from tests.support.running import Ran, run_checks

TRANSMIT = "{check: record_audio, of: transmit, channel: 20, duration: 0.5 s, drive: 100 mV, tone: 1 kHz}"
RECEIVE = "{check: record_audio, of: receive, channel: 20, duration: 0.5 s, level: -80 dBm, tone: 1 kHz}"
HEAD = "sequence: Audio\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"


def _recording(folder: Path, ran: Ran, of: str) -> tuple[np.ndarray, int, str]:
    """Return the samples of the one file, their rate, and the note of its result, read by the standard library alone."""
    (path,) = (folder / "results").glob(f"*_{of}-audio-channel-20.wav")
    note = ran.found(f"{of} audio, recorded").note
    assert path.name in note
    assert f"sha256 {hashlib.sha256(path.read_bytes()).hexdigest()}" in note
    with wave.open(str(path), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        return np.frombuffer(file.readframes(file.getnframes()), dtype="<i2"), file.getframerate(), note


@pytest.mark.parametrize(("check", "of", "unit"), [(TRANSMIT, "transmit", "Hz"), (RECEIVE, "receive", "V")])
def test_the_recording_holds_the_tone_at_the_level_that_is_stated(
    tmp_path: Path, check: str, of: str, unit: str
) -> None:
    """A file of 16 bit at 16 kHz whose spectrum peaks at 1 kHz, and whose rms at the stated full scale is the level in the results."""
    ran = run_checks(tmp_path, "M40-0007", check)
    samples, rate_hz, note = _recording(tmp_path, ran, of)
    assert rate_hz == 16_000
    assert ran.number(f"{of} audio, recorded") == len(samples) / rate_hz == 0.5
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    assert np.argmax(spectrum) * rate_hz / len(samples) == pytest.approx(1_000.0, abs=4.0)
    full_scale = re.search(rf"full scale ([\d.e+]+) {unit}", note)
    assert full_scale is not None
    rms = float(np.sqrt(np.mean((samples / 32767.0 * float(full_scale[1])) ** 2)))
    level = ran.found(f"{of} audio, rms level")
    assert level.unit == unit
    assert level.value == pytest.approx(rms, rel=2e-3)
    assert np.abs(samples).max() == 32767


def test_the_level_is_the_deviation_of_the_transmitter(tmp_path: Path) -> None:
    """A sine of peak deviation D has an rms of D over the square root of two: held against `peak_deviation` of the same unit, 5 %."""
    ran = run_checks(
        tmp_path, "M40-0007", f"{TRANSMIT}\n{{check: peak_deviation, channel: 20, drive: 100 mV}}"
    )
    peak_hz = (ran.number("peak deviation, positive") + ran.number("peak deviation, negative")) / 2.0
    # the limiter makes it less of a sine: flat tops raise the rms
    assert peak_hz / 2**0.5 <= ran.number("transmit audio, rms level") * 1.02
    assert ran.number("transmit audio, rms level") < peak_hz


def test_no_recording_takes_another_s_place(tmp_path: Path) -> None:
    """Two recordings of one kind in one run are two files."""
    run_checks(tmp_path, "M40-0007", f"{RECEIVE}\n{RECEIVE}")
    assert len(list((tmp_path / "results").glob("*.wav"))) == 2


def test_a_full_disk_costs_the_recording_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The recording is not measured and says why, without a traceback; what comes after is measured; the status is 3, nothing is left."""

    def full(*_: object) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sequencer.run.record.write_beside", full)
    ran = run_checks(tmp_path, "M40-0007", f"{TRANSMIT}\n{{check: carrier_power, channel: 20, readings: 2}}")
    recorded = ran.found("transmit audio, recorded")
    assert recorded.decision is Decision.NOT_MEASURED
    assert "not kept: No space left on device" in recorded.note
    assert ran.number("carrier power") > 3.0
    assert ran.outcome.status is ExitStatus.BENCH_FAILED
    (trouble,) = ran.outcome.problems
    assert "No space left on device. Check the free space." in trouble
    assert "Traceback" not in trouble
    assert not list((tmp_path / "results").glob("*.wav*"))


@pytest.mark.parametrize(
    ("check", "text"),
    [
        (TRANSMIT.replace("0.5 s", "29 s"), "max_key_time"),
        (TRANSMIT.replace("0.5 s", "60 s").replace("of:", "sample_rate: 96 kHz, of:"), "samples"),
        (RECEIVE.replace("level: -80 dBm", "drive: 1 mV"), "'drive' is for a recording of: transmit"),
        (TRANSMIT.replace("drive: 100 mV", "level: -80 dBm"), "'level' is for a recording of: receive"),
        (RECEIVE.replace("-80 dBm", "5 dBm"), "receiver's rating"),
        (RECEIVE.replace("0.5 s", "0 s"), "out of range"),
        (RECEIVE.replace("of: receive, ", ""), "of"),
    ],
)
def test_what_cannot_be_recorded_is_refused_before_anything_is_sent(
    make_rig: Callable[..., Rig], check: str, text: str
) -> None:
    """Too long for the key or the memory, drive without a transmitter, level without a receiver or above its rating: refused."""
    with pytest.raises(FileProblems, match=text):
        make_rig(sequence=f"{HEAD}  - {check}\n")


def test_samples_that_are_no_numbers_are_not_written() -> None:
    """NaN, infinity and nothing at all make no file."""
    for content in ([1.0, float("nan")], [float("inf")], []):
        with pytest.raises(ValueError, match="not finite numbers"):
            wav_bytes(Samples(content=np.array(content), rate_hz=8e3))


def test_silence_is_a_file_of_zeros() -> None:
    """A recording of nothing is a recording, and no division by zero."""
    content, full_scale = wav_bytes(Samples(content=np.zeros(100), rate_hz=8e3))
    assert full_scale == 1.0
    with wave.open(io.BytesIO(content)) as file:
        assert file.readframes(100) == bytes(200)
