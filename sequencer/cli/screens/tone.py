"""A tone that follows the value while a preset is turned: a short sound through the system's own player, the higher and quicker the nearer.

Wave files of some milliseconds, made once and played by what the system has for it. Without a player, without a device, and where the
terminal is a remote one (the sound would come from the other machine) it is the terminal's bell. A library that plays samples itself was
rejected: each needs a sound library of the system, for one beep.
"""

from __future__ import annotations

import array
import math
import os
import shutil
import subprocess
import sys
import tempfile
import wave
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

PLAYERS = (("pw-play",), ("paplay",), ("aplay", "-q"), ("afplay",))
"""Commands that play a wave file and end, those of a sound server first; in this order the first that is there is taken."""
RATE_HZ = 22_050
TONE_S, EDGE_S = 0.08, 0.008
LOUDNESS = 0.3
LOW_HZ, HIGH_HZ = 330.0, 1320.0  # two octaves, which the smallest loudspeaker still gives
STEPS = 12
REMOTE = ("SSH_CONNECTION", "SSH_TTY")


class Tone:
    """Beeps: ``bell`` rings where nothing plays. ``close`` takes the files away."""

    def __init__(self, bell: Callable[[], object]) -> None:
        self._bell = bell
        self._player = None if any(os.environ.get(one) for one in REMOTE) else found_player()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._playing: subprocess.Popen[bytes] | None = None

    @property
    def plays(self) -> bool:
        """Say whether a player is there, and has not failed yet."""
        return self._player is not None

    def beep(self, nearness: float) -> None:
        """Sound once, the higher the nearer: ``nearness`` from 0, far off, to 1, right. Waits for nothing."""
        if self._playing is not None:
            status = self._playing.poll()
            if status is None:
                return  # a late device must not pile them up
            if status != 0:
                self._player = None
        if self._player is None:
            self._bell()
            return
        try:
            self._playing = self._play(round(STEPS * min(1.0, max(0.0, nearness))))
        except OSError:
            self._player = None
            self._bell()

    def _play(self, step: int) -> subprocess.Popen[bytes]:
        assert self._player is not None
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="sequencer-tone-")
        file = Path(self._folder.name) / f"{step}.wav"
        if not file.exists():
            write_tone(file, pitch_hz(step / STEPS))
        return subprocess.Popen(
            [*self._player, str(file)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C at the terminal is not meant for it
        )

    def close(self) -> None:
        """End what still sounds, and take the files away."""
        if self._playing is not None and self._playing.poll() is None:
            with suppress(OSError):
                self._playing.kill()
            self._playing.wait()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None


def found_player() -> tuple[str, ...] | None:
    """Return the command that plays a file on this system; None where there is none."""
    for name, *options in PLAYERS:
        if (path := shutil.which(name)) is not None:
            return (path, *options)
    return None


def pitch_hz(nearness: float) -> float:
    """Return the pitch for a ``nearness`` of 0 to 1, Hz: like steps to the ear."""
    return LOW_HZ * math.pow(HIGH_HZ / LOW_HZ, nearness)


def write_tone(file: Path, tone_hz: float) -> None:
    """Write a sine of ``tone_hz`` as a wave file of one channel and 16 bits, faded in and out so that it does not click."""
    count = round(TONE_S * RATE_HZ)
    samples = array.array("h")
    for at in range(count):
        from_edge_s = min(at, count - 1 - at) / RATE_HZ
        swell = min(1.0, from_edge_s / EDGE_S)
        samples.append(round(32767 * LOUDNESS * swell * math.sin(2.0 * math.pi * tone_hz * at / RATE_HZ)))
    if sys.byteorder == "big":
        samples.byteswap()
    with wave.open(str(file), "wb") as written:
        written.setnchannels(1)
        written.setsampwidth(2)
        written.setframerate(RATE_HZ)
        written.writeframes(samples.tobytes())
