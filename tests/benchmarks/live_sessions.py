"""Adjusts each kind of preset at a pseudo-terminal, by keys alone, by what stands on the screen; prints what was found and left.

A unit of its own with the trimmers beside their targets; the run is the command itself, with the live screen, at the bench's own pace
(five readings a second). Who turns reads the words on the screen and nothing else: "turn on", "turn the other way", "past the best".
Ends with 1 where a preset was not brought to its target, a hazard was seen, the bench was not safe, or the terminal was not left as found.

Run: python -m tests.benchmarks.live_sessions [KIND ...] [--columns 60]; about 10 s a kind.
"""

from __future__ import annotations

import argparse
import csv
import math
import re
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

from sequencer.frozen import dataclass
from tests.support.at_terminal import AtTerminal
from tests.support.desk import ROOT, by_hand

UP, DOWN, LEFT, RIGHT, ENTER = b"\x1b[A", b"\x1b[B", b"\x1b[D", b"\x1b[C", b"\r"
COARSE, FINE = 0.1, 0.01  # of a turn, as the keys are
MOST_S = 240.0
NEAR_BEST = 0.7  # dB
UNIT = """serial: MX40-0190
model: MX40
description: Everything out of adjustment
fault: Each trimmer stands beside its target
modes: [FM, AM, USB, LSB]
am: {}
ssb: {}
tuning: {lowest: 26 MHz, highest: 28 MHz, transmit: [26.96 MHz, 27.41 MHz]}
"""
BAR = """meter:
  kind: segments
  thresholds: {1: -121 dBm, 2: -115 dBm, 3: -109 dBm, 4: -103 dBm, 5: -97 dBm, 6: -91 dBm, 7: -85 dBm, 8: -79 dBm,
               9: -73.4 dBm, 10: -53 dBm, 11: -33 dBm}
  hysteresis: 1.5 dB
  jitter: 0.3 dB
  segment: 0.25 V
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A preset: how the specimen has it, what the sequence says of it, which result tells, and how long a turn takes to show.

    ``peaking`` is the turn by which a best is looked for, ``past`` what is clearly past it, in its unit,
    ``least`` and ``most`` what it comes to; ``unit`` what else the specimen's file says, ``first`` what is done before. Of a ``dial`` that
    the person reads these are what it shows where the preset stands right.
    """

    trimmer: str
    entry: str
    quantity: str
    follow_s: float = 0.7
    peaking: float = FINE
    past: float = 1.5
    least: float = -math.inf
    most: float = math.inf
    dial: tuple[float, float] | None = None
    unit: str = ""
    first: str = ""


KINDS: Mapping[str, Kind] = {
    "power": Kind(
        trimmer="acts_on: power, position: 0.3, right: 0.6, span_db: 8 dB, backlash: 0.04",
        entry="of: carrier_power, turn: RV4, to: 3.8 W, within: 0.2 W",
        quantity="carrier power",
    ),
    "pep": Kind(
        trimmer="acts_on: power, position: 0.4, right: 0.6, span_db: 8 dB, reversed: true",
        entry="of: carrier_power, mode: USB, drive: 5 mV, turn: RV4, to: 11 W, within: 0.6 W",
        quantity="peak envelope power",
    ),
    "frequency": Kind(
        trimmer="acts_on: frequency, position: 0.1, right: 0.5, span_ppm: 80 ppm, turns: 3",
        entry="of: frequency_error, turn: C3, to: 0 Hz, within: 60 Hz",
        quantity="frequency error",
    ),
    "deviation": Kind(
        trimmer="acts_on: deviation, position: 0.75, right: 0.45, span_db: 8 dB, turns: 2",
        entry="of: peak_deviation, drive: 100 mV, turn: RV7, to: 1.9 kHz, within: 60 Hz",
        quantity="peak deviation, positive",
    ),
    "depth": Kind(
        trimmer="acts_on: depth, position: 0.7, right: 0.5, span_db: 8 dB",
        entry="of: modulation_depth, mode: AM, drive: 100 mV, turn: RV8, to: 88 %, within: 4 %",
        quantity="modulation depth, positive",
    ),
    "carrier": Kind(
        trimmer="acts_on: carrier_balance, position: 0.56, right: 0.5",
        entry="of: ssb_suppression, mode: USB, drive: 5 mV, turn: RV9, to: maximum",
        quantity="carrier suppression",
        least=45.0,
    ),
    "sideband": Kind(
        trimmer="acts_on: sideband_balance, position: 0.44, right: 0.5, reversed: true",
        entry="of: ssb_suppression, quantity: sideband, mode: USB, drive: 5 mV, turn: RV10, to: maximum",
        quantity="unwanted sideband suppression",
        least=45.0,
    ),
    "current": Kind(
        trimmer="acts_on: bias, position: 0.8, right: 0.4, span_db: 9 dB",
        entry="of: supply_current, turn: RV1, to: 1.6 A, within: 40 mA",
        quantity="supply current, transmit",
    ),
    "needle": Kind(
        trimmer="acts_on: s_meter, position: 0.2, right: 0.55, span_db: 24 dB, reversed: true",
        entry="of: s9_point, target: 2.25 V, turn: RV2, to: -73 dBm, within: 1.5 dB",
        quantity="S9 point",
        follow_s=2.0,
    ),
    "bar": Kind(
        trimmer="acts_on: s_meter, position: 0.4, right: 0.55, span_db: 24 dB",
        entry="of: s9_point, meter: segments, target: 2.125 V, turn: RV2, to: -73 dBm, within: 1.5 dB",
        quantity="S9 point, rising",
        follow_s=6.0,
        unit=BAR,
    ),
    "squelch": Kind(
        trimmer="acts_on: squelch, position: 0.7, right: 0.5, span_db: 20 dB",
        entry="of: squelch, turn: RV3, to: -120 dBm, within: 1.5 dB",
        quantity="squelch opens",
        follow_s=6.0,
        first="{check: confirm, text: squelch just closed, knob: squelch, position: just closed}",
    ),
    "sinad": Kind(
        trimmer="acts_on: front_end, position: 0.3, right: 0.5, span_db: 20 dB, turns: 2, backlash: 0.01",
        entry="of: sinad, level: -118 dBm, turn: L3, to: maximum",
        quantity="SINAD, analyser",
        peaking=0.04,
        past=3.0,
        least=9.0,
    ),
    "noise": Kind(
        trimmer="acts_on: front_end, position: 0.3, right: 0.5, span_db: 20 dB, turns: 2, backlash: 0.01",
        entry="of: signal_to_noise, ratio: quieting, level: -120 dBm, turn: L3, to: maximum",
        quantity="quieting",
        peaking=0.04,
        past=2.0,
        least=12.0,
    ),
    "audio": Kind(
        trimmer="acts_on: audio, position: 0.4, right: 0.5, span_db: 20 dB",
        entry="of: audio_output, load: 8 ohm, turn: RV5, to: 0.5 W, within: 50 mW",
        quantity="audio output power",
    ),
    "distortion": Kind(
        trimmer="acts_on: discriminator, position: 0.3, right: 0.5, span_percent: 50 %",
        entry="of: receive_distortion, level: -47 dBm, turn: T5, to: minimum",
        quantity="receive distortion",
        peaking=0.02,
        past=1.2,
        most=3.0,
    ),
    "loudspeaker": Kind(
        trimmer="acts_on: discriminator, position: 0.65, right: 0.5, span_percent: 50 %, reversed: true, backlash: 0.01",
        entry="of: audio_output, quantity: distortion, turn: T5, to: minimum",
        quantity="audio output distortion",
        peaking=0.02,
        past=1.2,
        most=3.0,
    ),
    "dial": Kind(
        trimmer="acts_on: power, position: 0.3, right: 0.6, span_db: 8 dB, backlash: 0.04",
        entry="of: carrier_power, turn: RV4, to: 3.8 W, within: 0.2 W",
        quantity="carrier power",
        dial=(3.6, 3.8),  # mW, behind the 30.1 dB of the path
    ),
}


class Watching:
    """Turns by keys, by what the simulated dial shows that stands beside the screen's words, and keeps where that stands right."""

    def __init__(self, run: AtTerminal, kind: Kind) -> None:
        assert kind.dial is not None
        self._run = run
        self._low, self._high = kind.dial
        self.steps = 0

    def adjust(self) -> None:
        """Turn up while it shows too little, down while it shows too much."""
        until_s, right = time.monotonic() + MOST_S, 0
        while time.monotonic() < until_s:
            for _ in range(4):
                self._run.more()
            shown = re.search(r"simulated\s+dial:\s+([0-9.]+)\s+mW", self._run.screen.text)
            if shown is None:  # PTT rests
                continue
            right = right + 1 if self._low <= float(shown[1]) <= self._high else 0
            if right == 2:
                self._run.type(ENTER)
                return
            if not right:
                self._run.type(RIGHT if float(shown[1]) < self._low else LEFT)
                self.steps += 1
        self._run.type(b"s")


class Hand:
    """Turns by keys, by what the screen says, and says when it keeps."""

    def __init__(self, run: AtTerminal, kind: Kind) -> None:
        self._run = run
        self._follow_s = kind.follow_s
        self._peaking = kind.peaking
        self._past = kind.past
        self._sign = 1.0
        self._step = COARSE
        self._to_go: float | None = None
        self._per_turn: float | None = None
        self._right = 0
        self._times_back = 0
        self._is_coming_back = False
        self.steps = 0

    def adjust(self) -> None:
        """Turn until it stands right, or for as long as a person would."""
        until_s = time.monotonic() + MOST_S
        while time.monotonic() < until_s:
            self._wait()
            if self._one(self._run.screen.text):
                return
        self._run.type(b"s")

    def _wait(self) -> None:
        """Read for as long as a turn takes to show."""
        until_s = time.monotonic() + self._follow_s
        while time.monotonic() < until_s and self._run.more():
            pass

    def _one(self, screen: str) -> bool:
        if "IN THE BAND" in screen:
            self._right += 1
            self._to_go = None
            if self._right >= 3:
                self._run.type(ENTER)
                return True
            return False
        self._right = 0
        if found := re.search(r"TOO (LOW|HIGH): ([0-9.]+) ", screen):
            self._towards(float(found[2]) if found[1] == "LOW" else -float(found[2]))
        elif "best" in screen:
            found = re.search(r"past the best, ([0-9.]+) ", screen)
            return self._peaked(float(found[1]) if found else 0.0)
        return False

    def _towards(self, to_go: float) -> None:
        """Turn towards the band: by the last step's effect where it was seen, else a little."""
        if self._to_go is not None and (moved := self._to_go - to_go) != 0.0:
            self._per_turn = moved / (self._sign * self._step)
        self._to_go = to_go
        wanted = FINE if self._per_turn is None else 0.8 * to_go / self._per_turn
        self._sign = 1.0 if wanted > 0.0 else -1.0
        self._turn(min(0.2, max(FINE, abs(wanted))))

    def _peaked(self, behind: float) -> bool:
        """Turn on until it is clearly past the best, and back; the second time round keep it at the best."""
        if self._is_coming_back:
            self._is_coming_back = behind > NEAR_BEST
        elif behind > self._past:
            self._sign, self._is_coming_back = -self._sign, True
            self._times_back += 1
        if self._times_back >= 2 and not self._is_coming_back:
            self._run.type(ENTER)
            return True
        self._turn(self._peaking)
        return False

    def _turn(self, turns: float) -> None:
        self._step = turns
        coarse, fine = divmod(round(turns / FINE), round(COARSE / FINE))
        up, right = (UP, RIGHT) if self._sign > 0.0 else (DOWN, LEFT)
        self._run.type(up * coarse + right * fine)
        self.steps += 1


def session(name: str, folder: Path, *, columns: int = 60) -> tuple[str, bool]:
    """Adjust one kind; return the line that says what came of it, and whether all was as it should be."""
    kind = KINDS[name]
    (folder / "units").mkdir()
    (folder / "units" / "mx40-0190.yaml").write_text(
        f"{UNIT}{kind.unit}presets:\n  {name}: {{{kind.trimmer}}}\n", encoding="utf-8"
    )
    bench = Path("sim/bench.yaml").read_text(encoding="utf-8")
    if kind.dial is not None:
        bench = by_hand(bench, ["power_meter"]).replace(f"unit: {ROOT}/sim/units", "unit: units")
    (folder / "bench.yaml").write_text(bench, encoding="utf-8")
    (folder / "adjust.yaml").write_text(
        f"sequence: Adjust {name}\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nrated_power: 13 W\n"
        f"checks:\n{f'  - {kind.first}' if kind.first else ''}\n  - {{check: adjust, preset: {name}, channel: 20, {kind.entry}}}\n",
        encoding="utf-8",
    )
    words = ["run", f"{folder}/adjust.yaml", "--bench", f"{folder}/bench.yaml", "--serial", "MX40-0190"]
    began_s = time.monotonic()
    run = AtTerminal([*words, "--confirmed", "--folder", str(folder)], columns=columns)
    try:
        _type_dials(run, until="Enter begins")
        run.type(ENTER)
        run.wait_until(lambda screen: "Without a key" in screen)
        hand = Hand(run, kind) if kind.dial is None else Watching(run, kind)
        hand.adjust()
        if kind.dial is not None:
            _type_dials(run, until="The bench is safe")
        status = run.end()
    finally:
        run.close()
    found = {one["stage"]: one for one in _rows(folder) if one["quantity"] == kind.quantity}
    told = [f"{stage} {found[stage]['value'][:8]} {found[stage]['decision']}" for stage in found]
    wrong = _wrong(run, status)
    if len(found) == 2 and not kind.least <= float(found["as left"]["value"]) <= kind.most:
        wrong.append(f"not {kind.least:g} to {kind.most:g}")
    took_s = time.monotonic() - began_s
    line = f"{name:10} {'; '.join(told):60} {hand.steps:3} turns {took_s:4.0f} s status {status} {'; '.join(wrong)}"
    return line, not wrong and len(found) == 2 and found["as left"]["decision"] != "fail"


def _type_dials(run: AtTerminal, *, until: str) -> None:
    """Type what each simulated dial shows, and done where that is asked for, until the words ``until`` come."""
    since, until_s = len(run.text), time.monotonic() + MOST_S
    while until not in run.text[since:] and time.monotonic() < until_s and run.more():
        asked = " ".join(run.text[since:].split())
        dial = re.search(r"\(simulated dial: ([^)]*)\): ?$", asked)
        if dial is not None or asked.endswith("Type done when it is so:"):
            since = len(run.text)
            run.type((dial[1] if dial is not None else "done").encode() + ENTER)


def _rows(folder: Path) -> list[dict[str, str]]:
    (table,) = folder.glob("*.csv")
    with table.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(one for one in file if not one.startswith("#")))


def _wrong(run: AtTerminal, status: int) -> list[str]:
    """Return what was not as it should be."""
    told = " ".join(run.text.split())
    found = {
        f"status {status}": status != 0,
        "not kept": "kept after" not in told,
        "not said to be safe": "The bench is safe: PTT released" not in told,
        "a hazard": "witness" in told,
        "a traceback": "Traceback" in told,
        "the terminal was not left as found": run.text.rfind("\x1b[?1049l") < run.text.rfind("\x1b[?1049h"),
    }
    return [what for what, is_so in found.items() if is_so]


def main() -> int:
    """Run the kinds asked for, or all; return 1 where one was not brought to its target."""
    options = argparse.ArgumentParser()
    options.add_argument("kinds", nargs="*", metavar="KIND", help=", ".join(KINDS))
    options.add_argument("--columns", type=int, default=60)
    chosen = options.parse_args()
    bad = 0
    for name in chosen.kinds or KINDS:
        with tempfile.TemporaryDirectory() as folder:
            line, good = session(name, Path(folder), columns=chosen.columns)
        print(line, flush=True)
        bad += not good
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
