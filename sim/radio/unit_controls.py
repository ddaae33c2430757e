"""What a person or a relay box does to a unit: channel, frequency, mode, key, supply, knobs, microphone, antenna.

State moves only when somebody looks or changes something: everything that lags is first evolved exactly to
now, by the subclass that knows the receiver and the transmitter (simulated_unit.py).

Not modelled: how long a control takes to act.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from math import exp, inf

import numpy as np

from sim.climate import Climate
from sim.lag import Lag, SimClock
from sim.radio.decoder import Decoder, DecoderSwitch
from sim.radio.demodulators import Demodulator, Demodulators
from sim.radio.dropouts import DropoutTimes
from sim.radio.if_filter import NOTHING_DBM
from sim.radio.preset_effects import as_adjusted
from sim.radio.presets import Presets
from sim.radio.signal_meter import LevelSwitch, NeedleLine, SegmentLine
from sim.radio.speech_path import Tone, sounding
from sim.radio.unit import Dropouts, Knobs, Specimen
from sim.rf_signal import RfSignal


class UnitControls(ABC):
    """A radio's controls and state. It starts without supply, unkeyed, knobs as its specimen file says."""

    def __init__(self, specimen: Specimen, clock: SimClock, rng: np.random.Generator) -> None:
        self._as_built = specimen
        self._presets = Presets(specimen.presets)
        self.specimen = specimen
        if specimen.presets:
            self.specimen = specimen = as_adjusted(specimen, self._presets.positions())
        self._clock = clock
        self._rng = rng
        now_s = clock.now_s()
        self._demodulators = Demodulators(specimen)
        self._dropouts = DropoutTimes(specimen.dropouts, now_s, rng.spawn(1)[0])
        self._knobs = specimen.knobs
        self._channel = specimen.channel
        self._dial_hz: float | None = None
        self._mode = specimen.modes[0]
        self._keyed = False
        self._supply_v = 0.0
        self._tones: tuple[Tone, ...] = ()
        self._wanted: RfSignal | None = None
        self._interferer: RfSignal | None = None
        self.climate: Climate | None = None
        """The chamber that it stands in; None in a room at the temperature of `ambient`."""
        self.line_late_s = 0.0
        """How long what works its push-to-talk line takes: seen only in how the carrier comes up and goes."""
        self._decoder = _decoder_switch(specimen.decoder, now_s, rng)
        self._decoded: tuple[RfSignal | None, float, float] | None = None
        self._heard_below_db = -inf
        self._looks = 0
        self._evolved: tuple[float, tuple[object, ...]] | None = None
        self._begin_lags(now_s)

    def _begin_lags(self, now_s: float) -> None:
        specimen, transmitter, squelch = self.specimen, self.specimen.transmitter, self.specimen.squelch
        receiver = specimen.receiver
        line = SegmentLine if specimen.meter.kind == "segments" else NeedleLine
        self._meter: SegmentLine | NeedleLine = line(specimen.meter, now_s)
        self._level = _level_lag(receiver.settling_s, receiver.settling_s, now_s)
        self._agc = self._new_agc(now_s)
        self._squelch_level = _level_lag(squelch.attack_s, squelch.decay_s, now_s)
        self._squelch = LevelSwitch(on_dbm=squelch.opens_dbm, hysteresis_db=squelch.hysteresis_db)
        warm = 1.0 - exp(-specimen.ambient.warmed_s / transmitter.warm_up_s)
        time_s = transmitter.warm_up_s
        self._warmth = Lag(start=warm, attack_s=time_s, decay_s=time_s, now_s=now_s)
        self._warmth.set_target(0.0, now_s)
        self._rise = Lag(
            start=0.0, attack_s=transmitter.heating_s, decay_s=transmitter.cooling_s, now_s=now_s
        )

    def _new_agc(self, now_s: float) -> Lag:
        agc, settling_s = self._receiver.agc, self.specimen.receiver.settling_s
        return (
            _level_lag(agc.attack_s, agc.decay_s, now_s) if agc else _level_lag(settling_s, settling_s, now_s)
        )

    @property
    def _receiver(self) -> Demodulator:
        return self._demodulators.of(self._mode)

    @property
    def inputs(self) -> tuple[object, ...]:
        """All that it hangs on beside the time, and how often somebody looked: alike twice at one moment, nothing happened in between."""
        signals = (self._wanted, self._interferer, self._tones)
        tuned = (self._channel, self._dial_hz, self._mode)
        return (
            signals,
            self._knobs,
            self._keyed,
            self._supply_v,
            tuned,
            self.specimen,
            self.climate,
            self._looks,
        )

    def _refresh(self, at_s: float | None = None) -> None:
        """Evolve what lags to ``at_s`` (default now) and aim it at what the inputs are, unless that is done.

        Four in five times it is: each instrument asks, and asks again when it has acted [measured].
        """
        evolved = (self._clock.now_s() if at_s is None else at_s, self.inputs)
        if evolved != self._evolved:
            self._evolve(evolved[0])
            self._evolved = evolved

    @abstractmethod
    def _evolve(self, now_s: float) -> None:
        """Evolve what lags to ``now_s`` and aim it at what the inputs are."""

    # Controls

    @property
    def channel(self) -> int:
        """The selected channel."""
        return self._channel

    def set_channel(self, channel: int) -> None:
        """Select a stored channel; ValueError names the channels there are."""
        self.specimen.memory.channel_frequency_hz(channel)
        self._refresh()
        self._channel, self._dial_hz = channel, None
        self._refresh()

    @property
    def dial_hz(self) -> float:
        """The frequency the unit shows: the stored one of its channel, or the one it was asked to go to."""
        stored_hz = self.specimen.memory.channel_frequency_hz(self._channel)
        return stored_hz if self._dial_hz is None else self._dial_hz

    def set_frequency(self, frequency_hz: float) -> None:
        """Leave the channels and go to ``frequency_hz``; ValueError names what the dial or its port takes."""
        tuning = self.specimen.tuning
        if not tuning.reaches(frequency_hz):
            span = f"{tuning.lowest_hz:.0f} to {tuning.highest_hz:.0f} Hz"
            known = span if tuning.highest_hz > 0 else "its stored channels only"
            raise ValueError(f"frequency {frequency_hz:.0f} Hz refused; this unit takes {known}")
        self._refresh()
        self._dial_hz = frequency_hz
        self._refresh()

    @property
    def mode(self) -> str:
        """The selected mode."""
        return self._mode

    def set_mode(self, mode: str) -> None:
        """Select a mode of this unit; ValueError names the modes there are."""
        if mode not in self.specimen.modes:
            raise ValueError(f"mode {mode!r} refused; this unit has {', '.join(self.specimen.modes)}")
        if mode == self._mode:
            return
        self._refresh()
        self._mode = mode
        self._agc = self._new_agc(self._clock.now_s())
        self._refresh()

    @property
    def keyed(self) -> bool:
        """Whether the push-to-talk line is closed (supply or not)."""
        return self._keyed

    def key(self) -> None:
        """Close the push-to-talk line."""
        self._set_keyed(keyed=True)

    def unkey(self) -> None:
        """Open the push-to-talk line."""
        self._set_keyed(keyed=False)

    def _set_keyed(self, *, keyed: bool) -> None:
        self._refresh()
        if keyed is not self._keyed:
            self._note_key(keyed=keyed, at_s=self._clock.now_s() + self.line_late_s)
        self._keyed = keyed
        self._refresh()

    @abstractmethod
    def _note_key(self, *, keyed: bool, at_s: float) -> None:
        """Take note that the line closes or opens, just before it does."""

    @property
    def supply_v(self) -> float:
        """The voltage at the supply terminals; 0 is a dead unit."""
        return self._supply_v

    def set_supply_v(self, supply_v: float | None) -> None:
        """Feed the unit; None or 0 takes the supply away."""
        self._refresh()
        self._supply_v = max(0.0, supply_v or 0.0)
        self._refresh()

    @property
    def alive(self) -> bool:
        """Whether the supply suffices for the unit to work."""
        return self._supply_v >= self.specimen.transmitter.minimum_supply_v

    @property
    def knobs(self) -> Knobs:
        """Where the knobs stand."""
        return self._knobs

    def set_knobs(self, knobs: Knobs) -> None:
        """Turn the knobs to other positions."""
        self._refresh()
        self._knobs = knobs
        self._refresh()

    def turn_preset(self, name: str, turns: float) -> None:
        """Turn a trimmer by so many turns, clockwise above 0; KeyError for a name that is none."""
        self._presets.turn(name, turns)
        self._fit_presets()

    def store_preset(self, name: str, value: int) -> None:
        """Store a setting; ValueError names what it takes, or the settings there are."""
        self._presets.store(name, value)
        self._fit_presets()

    def stored_preset(self, name: str) -> int:
        """Return a stored setting; ValueError names the settings there are."""
        return self._presets.stored(name)

    def preset_positions(self) -> dict[str, float]:
        """Return the truth: where each preset stands, 0 to 1 of its travel."""
        return self._presets.positions()

    def _fit_presets(self) -> None:
        """Behave from now on as the presets stand; what lags has lagged up to now."""
        self._refresh()
        self.specimen = as_adjusted(self._as_built, self._presets.positions())
        self._demodulators = Demodulators(self.specimen)
        self._meter.fit(self.specimen.meter)
        self._squelch.on_dbm = self.specimen.squelch.opens_dbm
        self._looks += 1
        self._refresh()

    def draw_from(self, rng: np.random.Generator) -> None:
        """Draw noise from another generator from now on."""
        self._rng = rng

    def confirm_knobs(self) -> None:
        """Do what the operator confirms: RF gain full, squelch open, volume half, noise blanker off."""
        self.set_knobs(Knobs())

    def set_microphone(
        self, tone_hz: float, level_v: float, *, second_hz: float = 0.0, second_v: float = 0.0
    ) -> None:
        """Drive the microphone input with a sine of ``level_v`` (rms), or with two; level 0 is silence."""
        first = Tone(frequency_hz=tone_hz, level_v=level_v)
        self._tones = sounding((first, Tone(frequency_hz=second_hz, level_v=second_v)))

    def apply_rf(
        self, wanted: RfSignal | None, interferer: RfSignal | None = None, at_s: float | None = None
    ) -> None:
        """Put signals on the antenna connector, levels as available there, since ``at_s`` (default now).

        Where there is no wanted signal, the other is what the receiver hears.
        """
        if wanted is None:
            wanted, interferer = interferer, None
        if (wanted, interferer) == (self._wanted, self._interferer):
            return
        self._refresh(at_s)
        self._wanted, self._interferer = wanted, interferer
        self._refresh(at_s)

    # Frequencies

    @property
    def frequency_error_ppm(self) -> float:
        """The reference oscillator's error now, warm-up included."""
        transmitter = self.specimen.transmitter
        drift = self.specimen.drift
        return (
            transmitter.frequency_error_ppm
            + transmitter.warm_up_ppm * (1.0 - self._warmth.at(self._clock.now_s()))
            + (drift.reference_ppm(self.warmer_by_k) if drift is not None else 0.0)
        )

    @property
    def warmer_by_k(self) -> float:
        """By how much the unit is warmer than where it was stated."""
        if self.climate is None:
            return 0.0
        return self.climate.body_c(self._clock.now_s()) - self.specimen.ambient.temperature_c

    @property
    def tuned_hz(self) -> float:
        """Where the unit really listens and transmits now."""
        return self.dial_hz * (1.0 + 1e-6 * self.frequency_error_ppm)


def _level_lag(attack_s: float, decay_s: float, now_s: float) -> Lag:
    return Lag(start=NOTHING_DBM, attack_s=attack_s, decay_s=decay_s, now_s=now_s)


def _decoder_switch(decoder: Decoder | None, now_s: float, rng: np.random.Generator) -> DecoderSwitch | None:
    if decoder is None:
        return None
    alone = Dropouts(
        interval_s=decoder.opens_every_s, duration_s=decoder.opens_for_s, loss_db=1.0, side="receive"
    )
    times = DropoutTimes(alone, now_s, rng.spawn(1)[0])
    return DecoderSwitch(decoder, lambda at_s: times.loss_db(at_s, "receive") > 0.0, rng.spawn(1)[0])
