"""Reading the loudspeaker as a target defines it: SINAD, (S+N)/N or quieting, by the analyser or from its samples.

(S+N)/N is a voltage with the signal over one without. AM: modulation on and off, the unmodulated carrier stays and holds the AGC
(laboratory practice, after a receiver restorers' page). SSB and CW: generator on and off, after an HF SSB service manual; the AGC is
let recover before the noise is read. Quieting: the noise without any signal over that with an unmodulated carrier.
"""

from __future__ import annotations

import math
import statistics
from typing import TYPE_CHECKING, Literal

from drivers.roles import RangeState, Reading, Weighting
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.asked.target import SensitivityTarget
from sequencer.checks.shared.budgets.level_budget import LOST_SHARE, ReadError
from sequencer.checks.shared.budgets.parts import HalfWidth, two_readings
from sequencer.checks.shared.level_search.wanted_signal import WantedSignal, apply_wanted, carrier_offset_hz
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing_share, several
from sequencer.dsp.samples import SamplesError
from sequencer.inputs.bench import BenchFile
from sequencer.safety.receive import ReceiveSide
from sequencer.search.protocol import Crossing
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_VOLTAGE, resolution, scatter
from sequencer.units.format import short_quantity

if TYPE_CHECKING:
    from sequencer.dsp.audio import AudioReading
    from sequencer.dsp.weighting import Weighting as SampleWeighting

DECAYS = 7.0  # AGC time constants until 100 dB have come to within 0.1 dB
SWITCH_S = 0.1  # from switching signal or modulation on until the loudspeaker stands, AGC attack included
SILENT_V = (
    0.005  # below this no receiver hisses at half volume: squelch closed, volume down or dead. Workshop's own
)
SAMPLE_RATE_HZ = 48e3
LEAST_RECORD_S = 0.1
NOISE_SHARE = 0.1  # what half a second of hiss scatters by, at most: common practice, no source
REPEATS = 4
REPEAT_S = 0.25
NOISE_READING_S = 0.5


class SensitivityReader:
    """Reads the loudspeaker as the target is defined.

    ``wanted`` says which signal the receiver is given; ``agc_decay_s`` how long its AGC takes to recover from one.
    """

    def __init__(
        self,
        side: ReceiveSide,
        wanted: WantedSignal,
        conditions: Conditions,
        tone_hz: float,
        *,
        target: SensitivityTarget,
        weighting: Weighting,
        read: Literal["analyser", "samples"],
        agc_decay_s: float,
    ) -> None:
        self._side = side
        self._wanted = wanted
        self._conditions = conditions
        self._tone_hz = tone_hz
        self._target = target
        self._weighting = weighting
        self._from_samples = read == "samples"
        self._agc_decay_s = agc_decay_s
        self._noise_v: list[float] = []
        self._noise_step_v = 0.0
        self._volts: list[Reading] = []
        self.silent = ""

    @property
    def read_errors(self) -> tuple[ReadError, ...]:
        """What the ratio it reads may be off by, dB: the analyser, and the modulation it was given."""
        bench, kind = self._conditions.bench, self._target.kind
        return (analyser_error(bench, kind), *modulation_errors(bench, self._conditions.mode, kind))

    def begin(self, first_dbm: float) -> str:
        """Make ready for the first reading; return why that is not possible, or nothing."""
        side, mode = self._side, self._conditions.mode
        if self._target.kind == "quieting":
            side.apply_carrier(first_dbm)
            side.remove_signal()
            side.wait_s(3.0 * SWITCH_S)
            found = several(lambda: self._level_v(NOISE_READING_S), REPEATS)
            found = agreeing_share(found, lambda: self._level_v(NOISE_READING_S), share=NOISE_SHARE)
            self._noise_v = [one.number for one in found if one.number is not None]
            self._noise_step_v = max(one.step for one in found)
            if len(self._noise_v) < len(found):
                state = next(one.state.value for one in found if one.number is None)
                return f"the noise without a signal could not be read: {state}"
            if statistics.fmean(self._noise_v) < SILENT_V:
                return _silence(statistics.fmean(self._noise_v))
            side.restore_signal()
        elif self._target.kind == "(S+N)/N" and mode != "AM":
            side.apply_carrier(first_dbm, offset_hz=carrier_offset_hz(self._wanted, mode))
            side.remove_signal()
        else:
            apply_wanted(side, self._wanted, self._conditions, first_dbm)
        return ""

    def read(self, reading_s: float) -> Reading:
        """Return the ratio that the target speaks of, dB."""
        if self._target.kind == "SINAD":
            return self._sinad_db(reading_s)
        if self._target.kind == "quieting":
            return _ratio(statistics.fmean(self._noise_v), self._level_v(reading_s))
        return self._signal_over_noise(reading_s)

    def contributions(self, crossing: Crossing) -> tuple[Contribution, ...]:
        """Return what else the level found rests on: the steps of voltages, and for quieting the noise without a signal, read once."""
        if not crossing.slope:
            return ()
        steps = self._voltage_steps(crossing)
        if self._target.kind != "quieting":
            return steps
        return (*steps, *self.noise_scatter(1.0 / abs(crossing.slope)))

    def noise_scatter(self, coefficient: float) -> tuple[Contribution, ...]:
        """Return what the noise without a signal, read once, may put quieting off by, dB, times ``coefficient``; none for other ratios."""
        if not self._noise_v:
            return ()
        readings_db = [20.0 * math.log10(volts) for volts in self._noise_v]
        name = "noise without a signal, repeatability"
        step_db = DB_PER_RELATIVE_VOLTAGE * self._noise_step_v / min(self._noise_v)
        return (scatter(name, readings_db, step=step_db, unit="dB", coefficient=coefficient),)

    def _voltage_steps(self, crossing: Crossing) -> tuple[Contribution, ...]:
        """Return what the steps of the voltage may put the ratio off by: at the lower of the two last, where they count most."""
        volts = min((one.number for one in self._volts[-2:] if one.number), default=0.0)
        if volts <= 0.0 or not crossing.slope:
            return ()
        step_db = DB_PER_RELATIVE_VOLTAGE * step_seen(self._volts) / volts
        if step_db <= LOST_SHARE * crossing.half_width_db * abs(crossing.slope):
            return ()
        return (resolution("voltage, its steps", step_db, unit="dB", coefficient=1.0 / abs(crossing.slope)),)

    def agreement(self, level_dbm: float) -> str:
        """Return in words how far the analyser's own answer lies from that of its samples, at ``level_dbm``."""
        if self._target.kind != "SINAD":
            return "levels worked out from samples"
        self._side.set_level_dbm(level_dbm)
        self._side.wait_s(SWITCH_S)
        own = [self._side.read_sinad_db(REPEAT_S).number for _ in range(REPEATS)]
        sampled = [self._sinad_db(REPEAT_S).number for _ in range(REPEATS)]
        shown, worked_out = (
            [one for one in own if one is not None],
            [one for one in sampled if one is not None],
        )
        if len(shown) < REPEATS or len(worked_out) < REPEATS:
            return "SINAD from samples; the analyser's own answer could not be compared"
        off_db = statistics.fmean(shown) - statistics.fmean(worked_out)
        return f"SINAD from samples; the analyser's own answer at that level is {off_db:+.2f} dB off"

    def _signal_over_noise(self, reading_s: float) -> Reading:
        side, wanted = self._side, self._wanted
        if self._conditions.mode == "AM":
            side.set_am(depth_percent=wanted.depth_percent, tone_hz=wanted.tone_hz)
            side.wait_s(SWITCH_S)
            signal = self._level_v(reading_s)
            side.remove_modulation()
            side.wait_s(SWITCH_S)
        else:  # the generator is off between two asks, so that the AGC always attacks, which is quick
            side.restore_signal()
            side.wait_s(SWITCH_S)
            signal = self._level_v(reading_s)
            side.remove_signal()
            side.wait_s(max(SWITCH_S, DECAYS * self._agc_decay_s))
        noise = self._level_v(reading_s)
        if signal.number is None:
            return signal
        if noise.number is not None and noise.number < SILENT_V:
            self.silent = self.silent or _silence(noise.number)
        return _ratio(signal.number, noise)

    def _sinad_db(self, reading_s: float) -> Reading:
        if not self._from_samples:
            return self._side.read_sinad_db(reading_s)
        found = self._recorded(reading_s)
        return found if isinstance(found, Reading) else Reading(number=found.sinad_db)

    def _level_v(self, reading_s: float) -> Reading:
        if not self._from_samples:
            self._volts.append(reading := self._side.read_audio_v(reading_s))
            return reading
        found = self._recorded(reading_s)
        return found if isinstance(found, Reading) else Reading(number=found.level)

    def _recorded(self, reading_s: float) -> AudioReading | Reading:
        from sequencer.dsp.audio import read_audio

        samples = self._side.capture_audio(max(reading_s, LEAST_RECORD_S), SAMPLE_RATE_HZ)
        weighting = weighting_named(self._weighting)
        try:
            return read_audio(samples.content, samples.rate_hz, self._tone_hz, weighting=weighting)
        except SamplesError as error:
            return Reading(number=None, state=RangeState.NO_MEASUREMENT, raw=str(error))


def reading_needs(kind: str, mode: str) -> tuple[str, ...]:
    """Return what the bench file must state for a reading of ``kind`` to have an accuracy."""
    own = "audio_analyser.sinad" if kind == "SINAD" else "audio_analyser.voltage"
    return (own, *modulation_needs(mode, kind))


def modulation_needs(mode: str, kind: str = "SINAD") -> tuple[str, ...]:
    """Return what the bench file must state of the generator's modulation; quieting is read without any."""
    if kind == "quieting":
        return ()
    needs = {"FM": ("signal_generator.deviation", "signal_generator.tone"), "AM": ("signal_generator.depth",)}
    return needs.get(mode, ())


def analyser_error(bench: BenchFile, kind: str) -> ReadError:
    """Return what the analyser may be off by, dB: SINAD as stated, samples of its own included; else two voltages, independent."""
    if kind == "SINAD":
        return "SINAD, accuracy", HalfWidth.of(bench, "audio_analyser", "sinad"), "dB"
    volts = HalfWidth.of(bench, "audio_analyser", "voltage")
    return f"{kind}, accuracy", two_readings(None if volts is None else volts.in_db()), "dB"


def modulation_errors(bench: BenchFile, mode: str, kind: str = "SINAD") -> tuple[ReadError, ...]:
    """Return what the generator's modulation may put a ratio of signal to noise off by, dB.

    A demodulator's output goes with deviation or depth, so 20 lg of their error (closed form, above the FM threshold); with FM
    de-emphasis it falls as the tone's frequency rises, 6 dB an octave, so 20 lg of that error too.
    """
    errors: list[ReadError] = []
    for need in modulation_needs(mode, kind):
        key = need.partition(".")[2]
        half_width = HalfWidth.of(bench, "signal_generator", key)
        errors.append((f"generator, {key}", None if half_width is None else half_width.in_db(), "dB"))
    return tuple(errors)


def weighting_named(name: Weighting) -> SampleWeighting:
    """Return the filter that samples are weighted with under a setting's ``name``."""
    from sequencer.dsp.weighting import C_MESSAGE, PSOPHOMETRIC, band

    flat = band(30.0, 15e3)  # what an analyser without a filter lets through, about
    return {"flat": flat, "psophometric": PSOPHOMETRIC, "C-message": C_MESSAGE}[name]


def _ratio(over_v: float, under: Reading) -> Reading:
    if under.number is None:
        return under
    if over_v <= 0.0 or under.number <= 0.0:
        return Reading(number=None, state=RangeState.NO_MEASUREMENT)
    return Reading(number=20.0 * math.log10(over_v / under.number), reading_s=under.reading_s)


def _silence(volts: float) -> str:
    return f"without a signal only {short_quantity(volts, 'V', 2)} is left where a receiver hisses: open the squelch, turn the volume up"
