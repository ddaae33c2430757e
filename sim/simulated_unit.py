"""One live radio on the bench: controls, receiver, transmitter and meter, on one clock and one seed.

State moves only when somebody looks or changes something: everything that lags is first evolved exactly to
now. A reading covers the ``reading_s`` seconds that begin now; the instrument that takes it lets them pass
on the clock.

Sources are named in receiver.py, signal_meter.py and transmitter.py; how knobs act is common practice, no
source: RF gain attenuates in front of the receiver, a noise blanker that is on costs some signal, squelch
mutes the audio, volume scales it until the loudspeaker amplifier clips.

Not modelled: modes other than FM, damage by over-voltage or over-drive (the witness records it instead), a
reading during which the input changes, dropouts that begin within a reading.
"""

from __future__ import annotations

from dataclasses import fields, replace
from math import exp, log10, sqrt

import numpy as np

from sim.dropouts import DropoutTimes
from sim.lag import Lag, SimClock
from sim.receiver import NOTHING_DBM, AudioContent, FmReceiver, draw_sinad_db, level_dbm, power_w
from sim.rf_signal import RfSignal
from sim.signal_meter import LevelSwitch, NeedleLine, SegmentLine, level_fluctuation_db
from sim.transmitter import Emission, carrier_power_w, modulation, transmit_current_a
from sim.unit import SUPPORTED_MODES, Knobs, Specimen

MUTED_V = 0.001  # what leaks past a closed squelch or a muted amplifier, rms
_NORMAL_DEVIATION_HZ = 1_200.0
_SQUELCH_KNOB_ON = 0.05
_WINDOW_POINTS = 8
_RETARGET_DB = 1e-4


class SimulatedUnit:
    """A live radio. It starts without supply, unkeyed, knobs as its specimen file says."""

    def __init__(self, specimen: Specimen, clock: SimClock, rng: np.random.Generator) -> None:
        self.specimen = specimen
        self._clock = clock
        self._rng = rng
        now_s = clock.now_s()
        self._receiver = FmReceiver(specimen.receiver)
        self._dropouts = DropoutTimes(specimen.dropouts, now_s, rng.spawn(1)[0])
        self._knobs = specimen.knobs
        self._channel = specimen.channel
        self._mode = specimen.modes[0]
        self._keyed = False
        self._supply_v = 0.0
        self._microphone = (0.0, 0.0)
        self._wanted: RfSignal | None = None
        self._interferer: RfSignal | None = None
        self._begin_lags(now_s)

    def _begin_lags(self, now_s: float) -> None:
        specimen, transmitter, squelch = self.specimen, self.specimen.transmitter, self.specimen.squelch
        receiver = specimen.receiver
        line = SegmentLine if specimen.meter.kind == "segments" else NeedleLine
        self._meter: SegmentLine | NeedleLine = line(specimen.meter, now_s)
        self._level = _level_lag(receiver.settling_s, receiver.settling_s, now_s)
        self._squelch_level = _level_lag(squelch.attack_s, squelch.decay_s, now_s)
        self._squelch = LevelSwitch(on_dbm=squelch.opens_dbm, hysteresis_db=squelch.hysteresis_db)
        warm = 1.0 - exp(-specimen.ambient.warmed_s / transmitter.warm_up_s)
        time_s = transmitter.warm_up_s
        self._warmth = Lag(start=warm, attack_s=time_s, decay_s=time_s, now_s=now_s)
        self._warmth.set_target(0.0, now_s)
        self._rise = Lag(
            start=0.0, attack_s=transmitter.heating_s, decay_s=transmitter.cooling_s, now_s=now_s
        )

    # Controls

    @property
    def channel(self) -> int:
        """The selected channel."""
        return self._channel

    def set_channel(self, channel: int) -> None:
        """Select a stored channel; ValueError names the channels there are."""
        self.specimen.memory.channel_frequency_hz(channel)
        self._refresh()
        self._channel = channel
        self._refresh()

    @property
    def mode(self) -> str:
        """The selected mode."""
        return self._mode

    def set_mode(self, mode: str) -> None:
        """Select a mode of this unit; ValueError names the modes there are."""
        if mode not in self.specimen.modes or mode not in SUPPORTED_MODES:
            raise ValueError(f"mode {mode!r} refused; this unit has {', '.join(self.specimen.modes)}")
        self._mode = mode

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
        self._keyed = keyed
        self._refresh()

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

    def confirm_knobs(self) -> None:
        """Do what the operator confirms: RF gain full, squelch open, volume half, noise blanker off."""
        self.set_knobs(Knobs())

    def set_microphone(self, tone_hz: float, level_v: float) -> None:
        """Drive the microphone input with a sine of ``level_v`` (rms); level 0 is silence."""
        self._microphone = (tone_hz, level_v)

    def apply_rf(
        self, wanted: RfSignal | None, interferer: RfSignal | None = None, at_s: float | None = None
    ) -> None:
        """Put signals on the antenna connector, levels as available there, since ``at_s`` (default now)."""
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
        return transmitter.frequency_error_ppm + transmitter.warm_up_ppm * (
            1.0 - self._warmth.at(self._clock.now_s())
        )

    @property
    def tuned_hz(self) -> float:
        """Where the unit really listens and transmits now."""
        stored_hz = self.specimen.memory.channel_frequency_hz(self._channel)
        return stored_hz * (1.0 + 1e-6 * self.frequency_error_ppm)

    # Receive

    @property
    def _receiving(self) -> bool:
        return self.alive and not self._keyed

    def _front_loss_db(self) -> float:
        receiver, knobs = self.specimen.receiver, self._knobs
        blanker_db = receiver.noise_blanker_loss_db if knobs.noise_blanker else 0.0
        dropout_db = self._dropouts.loss_db(self._clock.now_s(), "receive")
        return receiver.rf_gain_range_db * (1.0 - knobs.rf_gain) + blanker_db + dropout_db

    def _noise_w(self) -> float:
        """Return noise and interference within the noise bandwidth, referred to the front end."""
        receiver, own_w = (
            self.specimen.receiver,
            self._receiver.noise_power_w(self.specimen.receiver.noise_figure_db),
        )
        other = self._interferer
        if other is None:
            return own_w
        arriving_dbm = other.level_dbm - self._front_loss_db()
        blocking = 1.0 + power_w(arriving_dbm) / power_w(receiver.blocking_dbm)
        mixed_db = receiver.phase_noise_db + 10.0 * log10(self._receiver.noise_bandwidth_hz)
        through = self._receiver.selectivity(other.frequency_hz - self.tuned_hz) + power_w(mixed_db + 30.0)
        return own_w * blocking + power_w(arriving_dbm) * through

    def _arriving_dbm(self) -> float:
        """Return the wanted signal behind RF gain and blanker, before the IF filter."""
        if self._wanted is None or not self._receiving:
            return NOTHING_DBM
        return max(NOTHING_DBM, self._wanted.level_dbm - self._front_loss_db())

    def _detector_w(self) -> tuple[float, float]:
        """Return carrier and noise behind the IF filter, W."""
        wanted = self._wanted
        if wanted is None:
            return 0.0, self._noise_w()
        share = self._receiver.selectivity(wanted.frequency_hz - self.tuned_hz)
        return power_w(self._arriving_dbm()) * share, self._noise_w()

    def _refresh(self, at_s: float | None = None) -> None:
        """Evolve what lags to ``at_s`` (default now) and aim it at what the inputs are."""
        now_s = self._clock.now_s() if at_s is None else at_s
        self._see_squelch(now_s, 0.0)
        shown_dbm = level_dbm(sum(self._detector_w())) if self._receiving else NOTHING_DBM
        _aim(self._level, self._arriving_dbm(), now_s)
        _aim(self._squelch_level, shown_dbm, now_s)
        self._meter.set_level(shown_dbm if self.alive else None, now_s)
        self._warmth.set_target(1.0 if self.alive else 0.0, now_s)
        heat = (self._supply_v / self.specimen.transmitter.nominal_supply_v) ** 2
        heat_rise_c = self.specimen.transmitter.heat_rise_c * heat
        self._rise.set_target(heat_rise_c if self._keyed and self.alive else 0.0, now_s)

    def _see_squelch(self, now_s: float, jitter_db: float) -> bool:
        squelch, knob = self.specimen.squelch, self._knobs.squelch
        if knob <= _SQUELCH_KNOB_ON:
            self._squelch.is_on = True
            return True
        turned = (knob - _SQUELCH_KNOB_ON) / (1.0 - _SQUELCH_KNOB_ON)
        self._squelch.on_dbm = squelch.opens_dbm + turned * (squelch.tight_dbm - squelch.opens_dbm)
        return self._squelch.meet(self._squelch_level.at(now_s), jitter_db)

    def squelch_is_open(self) -> bool:
        """Return whether the squelch lets the audio through now; each look draws its own jitter."""
        self._refresh()
        jitter_db = self.specimen.squelch.jitter_db * float(self._rng.standard_normal())
        return self._receiving and self._see_squelch(self._clock.now_s(), jitter_db)

    def _content(self, at_s: float, notch_hz: float) -> AudioContent:
        wanted = self._wanted or RfSignal(level_dbm=NOTHING_DBM, frequency_hz=self.tuned_hz)
        content = self._receiver.audio_content(
            carrier_w=power_w(self._level.at(at_s)),
            noise_w=self._noise_w(),
            deviation_hz=wanted.fm_deviation_hz,
            tone_hz=wanted.tone_hz,
            offset_hz=float(np.clip(wanted.frequency_hz - self.tuned_hz, -1e6, 1e6)),
        )
        in_notch = abs(wanted.tone_hz / notch_hz - 1.0) < 0.05
        return _with_clipping(content, self._clipping_share(content), tone_in_notch=in_notch)

    def _linear_audio_v(self, content: AudioContent) -> float:
        receiver = self.specimen.receiver
        return receiver.audio_v * self._knobs.volume / 0.5 * sqrt(2.0 * content.total) / _NORMAL_DEVIATION_HZ

    def _clipping_share(self, content: AudioContent) -> float:
        """Return the distortion of the loudspeaker amplifier as a share of the voltage; a smooth stand-in."""
        x = (self._linear_audio_v(content) / self.specimen.receiver.clipping_v) ** 4
        return 0.3 * x / (1.0 + x)

    def _mean_content(self, reading_s: float, notch_hz: float) -> AudioContent:
        now_s = self._clock.now_s()
        if abs(self._level.at(now_s) - self._level.target) < 0.01:
            return self._content(now_s, notch_hz)
        step_s = reading_s / _WINDOW_POINTS
        parts = [self._content(now_s + (point + 0.5) * step_s, notch_hz) for point in range(_WINDOW_POINTS)]
        return _average(parts)

    def sinad_db(self, reading_s: float, notch_hz: float = 1_000.0) -> float:
        """Return one SINAD reading of the loudspeaker audio, dB (0 or more), notch at ``notch_hz``.

        A muted or dead unit reads as an analyser does on hum and hiss: practically 0 dB.
        """
        _require_span(reading_s)
        if not self.squelch_is_open():
            return abs(0.02 * float(self._rng.standard_normal()))
        return draw_sinad_db(self._mean_content(reading_s, notch_hz), reading_s, self._rng)

    def mean_sinad_db(self) -> float:
        """Return the truth: the SINAD that an endless reading would show at rest, inputs as they are."""
        self._refresh()
        if not self._receiving:
            return 0.0
        return self._content(self._clock.now_s() + 1e6, (self._wanted or _SILENCE).tone_hz).sinad_db

    def audio_level_v(self, reading_s: float) -> float:
        """Return the loudspeaker voltage, V rms: tone, noise and distortion together."""
        _require_span(reading_s)
        if not self.alive:
            return 0.0
        if not self.squelch_is_open():
            return MUTED_V
        content = self._mean_content(reading_s, 1_000.0)
        width = content.click_width_hz * reading_s
        scatter = 0.5 * content.residual / content.total / sqrt(width) * float(self._rng.standard_normal())
        limit_v, linear_v = self.specimen.receiver.clipping_v, self._linear_audio_v(content) * (1.0 + scatter)
        return float(MUTED_V + linear_v / (1.0 + (linear_v / limit_v) ** 4) ** 0.25)

    def meter_volts(self, reading_s: float) -> float:
        """Return one reading of the signal meter's line, V."""
        _require_span(reading_s)
        self._refresh()
        carrier_w, noise_w = self._detector_w()
        bandwidth_hz = self._receiver.noise_bandwidth_hz
        fluctuation_db = level_fluctuation_db(carrier_w, noise_w, bandwidth_hz, reading_s)
        if not self._receiving:
            fluctuation_db = 0.0
        return self._meter.read_v(self._clock.now_s(), reading_s, fluctuation_db, self._rng)

    # Transmit

    @property
    def temperature_c(self) -> float:
        """The output stage's temperature now."""
        return self.specimen.ambient.temperature_c + self._rise.at(self._clock.now_s())

    def emission(self) -> Emission | None:
        """Return what leaves the antenna connector now; None unkeyed or without supply."""
        self._refresh()
        if not (self._keyed and self.alive):
            return None
        transmitter, now_s = self.specimen.transmitter, self._clock.now_s()
        tone_hz, level_v = self._microphone
        swing = modulation(transmitter, tone_hz, level_v)
        power = carrier_power_w(transmitter, self._supply_v, self._rise.at(now_s))
        return Emission(
            power_w=power * power_w(30.0 - self._dropouts.loss_db(now_s, "transmit")),
            frequency_hz=self.tuned_hz,
            deviation_positive_hz=swing.positive_hz,
            deviation_negative_hz=swing.negative_hz,
            tone_hz=tone_hz if swing.positive_hz > 0 else 0.0,
            distortion_percent=swing.distortion_percent,
            residual_deviation_hz=transmitter.residual_deviation_hz,
        )

    def supply_current_a(self) -> float:
        """Return the current the unit draws now, A."""
        if not self.alive:
            return 0.0
        if self._keyed:
            return transmit_current_a(self.specimen.transmitter, self._supply_v)
        return self.specimen.transmitter.idle_a


_SILENCE = RfSignal(level_dbm=NOTHING_DBM, frequency_hz=27e6)


def _level_lag(attack_s: float, decay_s: float, now_s: float) -> Lag:
    return Lag(start=NOTHING_DBM, attack_s=attack_s, decay_s=decay_s, now_s=now_s)


def _aim(lag: Lag, target_dbm: float, now_s: float) -> None:
    """Aim, unless drift alone moved the target: re-aiming at every look would only collect rounding."""
    if abs(lag.target - target_dbm) > _RETARGET_DB:
        lag.set_target(target_dbm, now_s)


def _require_span(reading_s: float) -> None:
    if not reading_s > 0:
        raise ValueError(f"a reading of {reading_s} s is not possible; it needs more than 0 s")


def _with_clipping(content: AudioContent, clipping: float, *, tone_in_notch: bool) -> AudioContent:
    """Add the amplifier's distortion; an analyser counts a tone outside its notch as distortion."""
    signal, distortion = content.signal, content.distortion + clipping**2 * content.signal
    if not tone_in_notch:
        signal, distortion = 0.0, distortion + signal
    return replace(content, signal=signal, distortion=distortion)


def _average(parts: list[AudioContent]) -> AudioContent:
    def mean(name: str) -> float:
        return float(np.mean([getattr(part, name) for part in parts]))

    return AudioContent(**{name: mean(name) for name in (f.name for f in fields(AudioContent))})
