"""One live radio on the bench: controls, receiver, transmitter and meter, on one clock and one seed.

State moves only when somebody looks or changes something: everything that lags is first evolved exactly to
now. A reading covers the ``reading_s`` seconds that begin now; the instrument that takes it lets them pass
on the clock.

Sources are named in the receivers, the transmitters, loudspeaker.py and signal_meter.py; how knobs act is
common practice, no source: RF gain attenuates in front of the receiver, a noise blanker that is on costs some
signal, squelch mutes the audio, volume scales it until the loudspeaker amplifier clips.

A unit that is keyed where it does not transmit (unit_modes.Tuning) radiates nothing and draws its idle current.

Not modelled: damage by over-voltage or over-drive (the witness records it instead), a reading during which the
input changes, dropouts that begin within a reading.
"""

from __future__ import annotations

from dataclasses import replace
from math import expm1, inf, log10, sqrt

import numpy as np
from typing_extensions import override

from sim.lag import Lag
from sim.radio import loudspeaker
from sim.radio.audio_content import AudioContent, average, draw_sinad_db
from sim.radio.decoder import noise_below
from sim.radio.emission import SIDEBAND_MODES, Complexes, Emission
from sim.radio.emitter import Keyed, drawn_a, emit
from sim.radio.fm_receiver import NOTHING_DBM, level_dbm, power_w
from sim.radio.front_end import FrontEnd
from sim.radio.keying import AT_ONCE, GONE, KeyDown
from sim.radio.signal_meter import level_fluctuation_db
from sim.radio.unit_controls import UnitControls
from sim.rf_signal import RfSignal

MUTED_V = 0.001  # what leaks past a closed squelch or a muted amplifier, rms
_SQUELCH_KNOB_ON = 0.05
_WINDOW_POINTS = 8
_RETARGET_DB = 1e-4
MOST_KEY_DOWNS = 8  # as many are remembered: a recording is short


class SimulatedUnit(UnitControls):
    """A live radio. It starts without supply, unkeyed, knobs as its specimen file says."""

    _key_downs: tuple[KeyDown, ...] = ()
    _key_changed_s = -inf

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
        drift, figure_db = self.specimen.drift, self.specimen.receiver.noise_figure_db
        if drift is not None:
            figure_db += drift.noise_figure_db_per_kelvin * self.warmer_by_k
        own_w = self._receiver.noise_power_w(figure_db)
        loss_db = self._front_loss_db()
        return own_w + sum(self._spoils_w(other, own_w, loss_db) for other in self._unwanted())

    def _unwanted(self) -> tuple[RfSignal, ...]:
        """Return the signals that spoil: the interferer, and beside a product of two signals both of them."""
        if self._interferer is None:
            return ()
        both = self._wanted is not None and self._signal() is not self._wanted
        return (self._interferer, self._wanted) if both and self._wanted else (self._interferer,)

    def _spoils_w(self, other: RfSignal, own_w: float, loss_db: float) -> float:
        """Return the noise that a signal beside the channel makes, as own noise that rises, oscillators' noise and what comes through."""
        receiver, front = self.specimen.receiver, self.specimen.front_end
        arriving_dbm, offset_hz = other.level_dbm - loss_db, other.frequency_hz - self.tuned_hz
        raised_w = own_w * power_w(arriving_dbm) / power_w(receiver.blocking_dbm)
        noise_db, through = receiver.phase_noise_db, self._receiver.selectivity(offset_hz)
        if front is not None:
            noise_db = front.noise_dbc(offset_hz, noise_db)
            through *= front.first_filter(offset_hz)
        mixed_db = noise_db + 10.0 * log10(self._receiver.noise_bandwidth_hz)
        if other.noise is not None:  # what of it lies on the channel
            through += other.noise.share(offset_hz, self._receiver.noise_bandwidth_hz)
        spoiled_w = raised_w + power_w(arriving_dbm) * (through + power_w(mixed_db + 30.0))
        if front is None:
            return spoiled_w
        lands = front.comes_through(arriving_dbm, other.frequency_hz, self.tuned_hz)
        return spoiled_w + sum(
            power_w(level_dbm) * self._receiver.selectivity(at_hz) * front.first_filter(at_hz)
            for at_hz, level_dbm in lands
        )

    def _signal(self) -> RfSignal | None:
        """Return what the receiver takes for its signal: the wanted one, or the product of it and the interferer where that is stronger."""
        wanted, other, front = self._wanted, self._interferer, self.specimen.front_end
        if wanted is None or other is None or front is None:
            return wanted
        product = front.product_of(other, wanted, self._front_loss_db())
        if product is None or self._in_channel_dbm(product) <= self._in_channel_dbm(wanted):
            return wanted
        return product

    def _in_channel_dbm(self, signal: RfSignal) -> float:
        share = self._receiver.selectivity(signal.frequency_hz - self.tuned_hz)
        return signal.level_dbm + 10.0 * log10(share) - self._first_filter_db(signal)

    def _first_filter_db(self, signal: RfSignal) -> float:
        front = self.specimen.front_end
        if front is None:
            return 0.0
        return -10.0 * log10(front.first_filter(signal.frequency_hz - self.tuned_hz))

    def _arriving_dbm(self) -> float:
        """Return the wanted signal behind RF gain and blanker, before the IF filter."""
        signal = self._signal()
        if signal is None or not self._receiving:
            return NOTHING_DBM
        return max(NOTHING_DBM, signal.level_dbm - self._front_loss_db() - self._first_filter_db(signal))

    def _detector_w(self) -> tuple[float, float]:
        """Return carrier and noise behind the IF filter, W."""
        wanted = self._signal()
        if wanted is None:
            return 0.0, self._noise_w()
        share = self._receiver.selectivity(wanted.frequency_hz - self.tuned_hz)
        return power_w(self._arriving_dbm()) * share, self._noise_w()

    @override
    def _evolve(self, now_s: float) -> None:
        self._see_squelch(now_s, 0.0)
        shown_dbm = level_dbm(sum(self._detector_w())) if self._receiving else NOTHING_DBM
        _aim(self._level, self._arriving_dbm(), now_s)
        _aim(self._agc, shown_dbm, now_s)
        _aim(self._squelch_level, shown_dbm, now_s)
        self._meter.set_level(shown_dbm if self.alive else None, now_s)
        self._decode(now_s)
        self._warmth.set_target(1.0 if self.alive else 0.0, now_s)
        heat = (self._supply_v / self.specimen.transmitter.nominal_supply_v) ** 2
        heat_rise_c = self.specimen.transmitter.heat_rise_c * heat
        self._rise.set_target(heat_rise_c if self._keyed and self.radiates else 0.0, now_s)

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
        self._looks += 1
        jitter_db = self.specimen.squelch.jitter_db * float(self._rng.standard_normal())
        return (
            self._receiving and self._see_squelch(self._clock.now_s(), jitter_db) and self._decoder_is_open()
        )

    def _decoder_is_open(self) -> bool:
        if self._decoder is None or self._mode != "FM":
            return True
        return self._decoder.is_open(self._clock.now_s(), carrier=self._wanted is not None)

    def below_speech_db(self) -> float:
        """Return the truth: how far what the decoder listens for stands above all else below speech, dB, inputs as they are."""
        decoder, signal = self.specimen.decoder, self._signal()
        if decoder is None or signal is None or not self._receiving:
            return -inf
        carrier_w, noise_w = self._detector_w()
        ratio = carrier_w / noise_w
        if decoder.on_carrier:
            return 10.0 * log10(max(ratio, 1e-30))
        heard = self._receiver.hear(
            signal, carrier_w=carrier_w, noise_w=noise_w, offset_hz=self._offset_hz(signal), agc_dbm=0.0
        )
        noise_hz2 = noise_below(heard.click_rate_hz, ratio, self._receiver.noise_bandwidth_hz)
        return decoder.heard_db(signal.below, capture=-expm1(-min(ratio, 700.0)), noise_hz2=noise_hz2)

    def _decode(self, now_s: float) -> None:
        """Let the decoder hear what there is, worked out anew where that has changed."""
        if self._decoder is None or self._mode != "FM":
            return
        inputs = (self._signal() if self._receiving else None, *self._detector_w())
        if inputs != self._decoded:
            self._decoded = inputs
            self._heard_below_db = self.below_speech_db()
        self._decoder.see(self._heard_below_db, now_s)

    def _heard(self, at_s: float, weighting: str) -> AudioContent:
        wanted = self._signal() or RfSignal(level_dbm=NOTHING_DBM, frequency_hz=self.tuned_hz)
        return self._demodulators.of(self._mode, weighting).hear(
            wanted,
            carrier_w=power_w(self._level.at(at_s)),
            noise_w=self._noise_w(),
            offset_hz=self._offset_hz(wanted),
            agc_dbm=self._agc.at(at_s),
        )

    def _offset_hz(self, signal: RfSignal) -> float:
        return min(1e6, max(-1e6, signal.frequency_hz - self.tuned_hz))

    def _content(self, at_s: float, notch_hz: float | None, weighting: str = "flat") -> AudioContent:
        """Return what the audio holds; ``notch_hz`` None is a notch that sits on the tone, wherever it is."""
        heard = self._heard(at_s, weighting)
        flat = heard if weighting == "flat" else self._heard(at_s, "flat")
        clipping = loudspeaker.clipping_share(self.specimen.receiver, self._linear_audio_v(flat))
        own_hz = max(1.0, heard.tone_hz)  # no signal at all is heard at 0 Hz in SSB
        return loudspeaker.with_clipping(heard, clipping, own_hz if notch_hz is None else notch_hz)

    def _linear_audio_v(self, content: AudioContent) -> float:
        volume, peak = self._knobs.volume, self._receiver.normal_peak
        return loudspeaker.linear_v(self.specimen.receiver, volume, content, peak)

    def _mean_content(
        self, reading_s: float, notch_hz: float | None, weighting: str = "flat"
    ) -> AudioContent:
        now_s = self._clock.now_s()
        if all(abs(lag.at(now_s) - lag.target) < 0.01 for lag in (self._level, self._agc)):
            return self._content(now_s, notch_hz, weighting)
        step_s = reading_s / _WINDOW_POINTS
        moments = [now_s + (point + 0.5) * step_s for point in range(_WINDOW_POINTS)]
        return average([self._content(moment, notch_hz, weighting) for moment in moments])

    def sinad_db(self, reading_s: float, notch_hz: float = 1_000.0, weighting: str = "flat") -> float:
        """Return one SINAD reading of the loudspeaker audio, dB (0 or more), notch at ``notch_hz``.

        A muted or dead unit reads as an analyser does on hum and hiss: practically 0 dB.
        """
        _require_span(reading_s)
        if not self.squelch_is_open():
            return abs(0.02 * float(self._rng.standard_normal()))
        return draw_sinad_db(self._mean_content(reading_s, notch_hz, weighting), reading_s, self._rng)

    def mean_sinad_db(self, weighting: str = "flat") -> float:
        """Return the truth: the SINAD that an endless reading would show at rest, inputs as they are."""
        self._refresh()
        if not self._receiving:
            return 0.0
        return self._content(self._clock.now_s() + 1e6, None, weighting).sinad_db

    def audio_level_v(self, reading_s: float, weighting: str = "flat") -> float:
        """Return the loudspeaker voltage, V rms: tone, noise and distortion together."""
        _require_span(reading_s)
        if not self.alive:
            return 0.0
        if not self.squelch_is_open():
            return MUTED_V
        content = self._mean_content(reading_s, 1_000.0)
        width = content.click_width_hz * reading_s
        scatter = 0.5 * content.residual / content.total / sqrt(width) * float(self._rng.standard_normal())
        linear_v = self._linear_audio_v(content) * (1.0 + scatter)
        shown_v = float(MUTED_V + loudspeaker.clipped_v(self.specimen.receiver, linear_v))
        if weighting == "flat":
            return shown_v
        weighted = self._mean_content(reading_s, 1_000.0, weighting)
        return shown_v * sqrt(weighted.total / content.total)

    def audio_tone_hz(self) -> float | None:
        """Return the frequency of the tone in the audio; None where noise hides it (below 3 dB) or it is muted."""
        if not self.squelch_is_open():
            return None
        content = self._content(self._clock.now_s(), None)
        return content.tone_hz if content.sinad_db > 3.0 else None

    def audio_samples_v(self, count: int, rate_hz: float) -> loudspeaker.Samples:
        """Return ``count`` samples of the loudspeaker's voltage, beginning now, the input taken as at rest."""
        if not self.squelch_is_open():
            return np.asarray(MUTED_V * self._rng.standard_normal(count)) if self.alive else np.zeros(count)
        content, wanted = self._mean_content(count / rate_hz, None), self._signal()
        return loudspeaker.samples_v(
            content,
            self._receiver,
            total_v=loudspeaker.clipped_v(self.specimen.receiver, self._linear_audio_v(content)),
            offset_hz=self._offset_hz(wanted) if wanted else 0.0,
            count=count,
            rate_hz=rate_hz,
            rng=self._rng,
        )

    def meter_volts(self, reading_s: float) -> float:
        """Return one reading of the signal meter's line, V."""
        _require_span(reading_s)
        self._refresh()
        self._looks += 1
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
        return self.specimen.ambient.temperature_c + self.warmer_by_k + self._rise.at(self._clock.now_s())

    @property
    def radiates(self) -> bool:
        """Whether the unit, were it keyed now, would transmit where it stands."""
        return self.alive and self.specimen.tuning.transmits(self.dial_hz)

    def _keyed_now(self) -> Keyed:
        now_s, drift = self._clock.now_s(), self.specimen.drift
        return Keyed(
            mode=self._mode,
            frequency_hz=self.tuned_hz,
            tones=self._tones,
            supply_v=self._supply_v,
            rise_c=self._rise.at(now_s),
            loss_db=self._dropouts.loss_db(now_s, "transmit")
            - (drift.power_db(self.warmer_by_k) if drift else 0.0),
        )

    def _note_key(self, *, keyed: bool, at_s: float) -> None:
        if keyed:
            self._key_downs = (*self._key_downs[-MOST_KEY_DOWNS:], KeyDown(closed_s=at_s))
        elif self._key_downs:
            last = replace(self._key_downs[-1], opened_s=at_s, sent=self._steady_emission())
            self._key_downs = (*self._key_downs[:-1], last)
        self._key_changed_s = self._clock.now_s()

    def _steady_emission(self) -> Emission | None:
        return emit(self.specimen, self._keyed_now()) if self._keyed and self.radiates else None

    def emission(self) -> Emission | None:
        """Return what leaves the antenna connector now; None unkeyed, without supply or where it may not send."""
        self._refresh()
        steady, law = self._steady_emission(), self.specimen.keying
        if steady is None or law is None or steady.mode in SIDEBAND_MODES:
            return steady
        since_s = self._clock.now_s() - self._key_downs[-1].closed_s
        size = float(law.amplitude(np.array([since_s]), np.array([-1.0]))[0])
        if size <= GONE:
            return None
        off_hz = law.frequency_hz(since_s, 0.0)
        share = size**2
        return replace(
            steady,
            power_w=share * steady.power_w,
            pep_w=share * steady.pep_w,
            frequency_hz=steady.frequency_hz + off_hz,
        )

    def is_steady_since(self, begin_s: float) -> bool:
        """Say whether nothing of how a carrier comes and goes can lie in what was recorded from ``begin_s`` on."""
        return self.specimen.keying is None and self._key_changed_s <= begin_s

    def wave(
        self, *, centre_hz: float, count: int, rate_hz: float, begin_s: float, rng: np.random.Generator
    ) -> Complexes:
        """Return what left the antenna connector in a recording that is over, as complex samples about ``centre_hz``, √W."""
        self._refresh()
        steady = self._steady_emission()
        law = AT_ONCE if self.specimen.keying is None else self.specimen.keying
        parts = [
            one.wave(law, steady, centre_hz=centre_hz, count=count, rate_hz=rate_hz, begin_s=begin_s, rng=rng)
            for one in self._key_downs
        ]
        return np.asarray(sum(parts, np.zeros(count, dtype=np.complex128)))

    def leaks(self) -> tuple[tuple[float, float], ...]:
        """Return the lines that the receiver lets out at the antenna connector, Hz and dBm; none keyed or without supply."""
        if not self._receiving:
            return ()
        return self.specimen.leakage.of(self.specimen.front_end or FrontEnd(), self.tuned_hz)

    def supply_current_a(self) -> float:
        """Return the current the unit draws now, A."""
        if not self.alive:
            return 0.0
        if self._keyed and self.radiates:
            return drawn_a(self.specimen, self._keyed_now())
        return self.specimen.transmitter.idle_a


def _aim(lag: Lag, target_dbm: float, now_s: float) -> None:
    """Aim, unless drift alone moved the target: re-aiming at every look would only collect rounding."""
    if abs(lag.target - target_dbm) > _RETARGET_DB:
        lag.set_target(target_dbm, now_s)


def _require_span(reading_s: float) -> None:
    if not reading_s > 0:
        raise ValueError(f"a reading of {reading_s} s is not possible; it needs more than 0 s")
