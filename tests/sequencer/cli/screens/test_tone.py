"""The tone beside the live screen is a sine of the pitch meant; where no player is there, or it fails, the bell rings."""

from __future__ import annotations

import shutil
import wave
from pathlib import Path

import numpy as np
import pytest

from sequencer.cli.screens.tone import HIGH_HZ, LOW_HZ, REMOTE, Tone, found_player, pitch_hz, write_tone

PLAYS = """#!/bin/sh
for file; do :; done
here=$(dirname "$0")
cat "$file" > "$here/heard.part" && mv "$here/heard.part" "$here/heard.wav"
"""
FAILS = "#!/bin/sh\nexit 1\n"


@pytest.fixture
def at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that holds all programs there are, at a terminal of this machine."""
    for name in REMOTE:
        monkeypatch.delenv(name, raising=False)
    tools = {name: shutil.which(name) for name in ("cat", "mv", "dirname")}
    for name, path in tools.items():
        assert path is not None
        (tmp_path / name).symlink_to(path)
    monkeypatch.setenv("PATH", str(tmp_path))
    return tmp_path


def _player(folder: Path, text: str, name: str = "aplay") -> None:
    (folder / name).write_text(text, encoding="utf-8")
    (folder / name).chmod(0o755)


def _tone_hz(file: Path) -> float:
    """Return the strongest frequency of a wave file, by the discrete Fourier transform of numpy."""
    with wave.open(str(file), "rb") as read:
        assert (read.getnchannels(), read.getsampwidth()) == (1, 2)
        samples = np.frombuffer(read.readframes(read.getnframes()), dtype="<i2")
        rate_hz = read.getframerate()
    assert 3000 < np.abs(samples).max() < 20_000
    assert abs(int(samples[0])) + abs(int(samples[-1])) < 200  # no click
    spectrum = np.abs(np.fft.rfft(samples, 1 << 16))
    return float(np.argmax(spectrum)) * rate_hz / (1 << 16)


@pytest.mark.parametrize("nearness", [0.0, 0.4, 1.0])
def test_the_file_is_a_sine_of_the_pitch_meant(tmp_path: Path, nearness: float) -> None:
    """Within 2 %, as far as 80 ms tell; two octaves (twice the frequency each) from far off to right."""
    assert pytest.approx(4.0) == HIGH_HZ / LOW_HZ
    write_tone(tmp_path / "tone.wav", pitch_hz(nearness))
    assert _tone_hz(tmp_path / "tone.wav") == pytest.approx(pitch_hz(nearness), rel=0.02)


def test_a_player_is_given_the_tone_and_nothing_rings(at_home: Path) -> None:
    """The nearer the higher: the file that the player reads is the one of that pitch; none is left behind."""
    _player(at_home, PLAYS)
    rung: list[int] = []
    tone = Tone(lambda: rung.append(1))
    assert tone.plays
    heard = []
    for nearness in (0.0, 1.0):
        tone.beep(nearness)
        assert tone._playing is not None
        assert tone._playing.wait(20) == 0
        heard.append(_tone_hz(at_home / "heard.wav"))
    assert heard == [pytest.approx(LOW_HZ, rel=0.02), pytest.approx(HIGH_HZ, rel=0.02)]
    assert tone._folder is not None
    folder = Path(tone._folder.name)
    assert folder.exists()
    tone.close()
    assert not folder.exists()
    assert rung == []


def test_a_player_without_a_device_leaves_it_to_the_bell(at_home: Path) -> None:
    """The first beep is lost, each after it rings, and the player is not asked again."""
    _player(at_home, FAILS)
    rung: list[int] = []
    tone = Tone(lambda: rung.append(1))
    tone.beep(0.5)
    assert tone._playing is not None
    assert tone._playing.wait(20) == 1
    for _ in range(3):
        tone.beep(0.5)
    assert len(rung) == 3
    assert not tone.plays
    tone.close()


def test_no_player_and_a_remote_terminal_ring(at_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing plays, and where the loudspeaker is another machine's, it is the bell."""
    assert found_player() is None
    rung: list[int] = []
    Tone(lambda: rung.append(1)).beep(1.0)
    _player(at_home, PLAYS, "paplay")
    assert found_player() == (str(at_home / "paplay"),)
    monkeypatch.setenv(REMOTE[0], "192.0.2.7 50000 192.0.2.8 22")
    Tone(lambda: rung.append(1)).beep(1.0)
    assert len(rung) == 2
