"""What a specimen file states of one unit: frozen values with units in their names.

The engine's file reader fills these classes: the key in the file is the field's name without its unit
(``noise_figure: 8 dB`` fills ``noise_figure_db``). Defaults are a sound 40-channel FM mobile, so that a
specimen file states only in what it differs.

Sources: channel plan from BNetzA Vfg 11/2016 (agrees with 47 CFR 95.963 and ECC/DEC/(11)03); S-meter from
IARU Region 1 Technical Recommendation R.1; 2 kHz deviation and 0.6 kHz frequency tolerance from MPT 1382;
13.2 V supply from memory of EN 300 433. The other defaults are common practice for a mobile of this class,
no source; make and model are invented.

AM, SSB, CW and the tuning range are in unit_modes.py, what a receiver makes of signals beside its channel in front_end.py (without it one
figure of rejection for all of them), what can be adjusted in presets.py, what opens it below speech in decoder.py, what it lets out in
leakage.py; a specimen that asks for a mode whose section it lacks is refused. Not modelled: sequences of tones, scanning, repeater shift.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from math import isfinite
from typing import Literal

from sim.frozen import dataclass
from sim.radio.decoder import Decoder
from sim.radio.front_end import FrontEnd
from sim.radio.keying import Keying
from sim.radio.leakage import Leakage
from sim.radio.presets import Preset
from sim.radio.signalling import Signalling
from sim.radio.unit_modes import AmMode, SsbMode, Tuning
from sim.requirements import require, require_finite, require_not_negative, require_positive

SUPPORTED_MODES = ("FM", "AM", "USB", "LSB", "CW")
METER_KINDS = ("needle", "segments")
DROPOUT_SIDES = ("receive", "transmit", "both")
MEMORY_PLANS = ("CEPT", "own")

_SKIPPED_STEPS = (3, 8, 13, 18, 23)  # 26.995, 27.045, 27.095, 27.145 and 27.195 MHz are not in the plan


def _cept_frequencies_hz() -> tuple[float, ...]:
    rising = [26_965_000.0 + 10_000.0 * step for step in range(45) if step not in _SKIPPED_STEPS]
    ch_24, ch_25, ch_23 = rising[22:25]  # the only place where the numbers do not rise with frequency
    return (*rising[:22], ch_23, ch_24, ch_25, *rising[25:])


CEPT_FREQUENCIES_HZ = _cept_frequencies_hz()


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """The receiver from antenna connector to loudspeaker.

    ``bandwidth_hz`` is the 3 dB bandwidth of the IF filter, a Butterworth of ``filter_poles`` resonators;
    ``audio_v`` the loudspeaker voltage (rms) at volume 0.5 with normal test modulation (1 kHz, 1.2 kHz
    deviation).
    """

    noise_figure_db: float = 6.0
    bandwidth_hz: float = 8_000.0
    filter_poles: int = 10
    ultimate_rejection_db: float = 80.0
    blocking_dbm: float = -20.0
    phase_noise_db: float = -125.0
    deemphasis_s: float = 750e-6
    audio_low_hz: float = 300.0
    audio_high_hz: float = 3_000.0
    distortion_percent: float = 1.5
    residual_deviation_hz: float = 8.0
    settling_s: float = 0.015
    audio_v: float = 2.0
    clipping_v: float = 5.0
    rf_gain_range_db: float = 30.0
    noise_blanker_loss_db: float = 3.0

    def __post_init__(self) -> None:
        require_positive(self, "bandwidth_hz", "audio_low_hz", "audio_high_hz", "settling_s", "audio_v")
        require_positive(self, "clipping_v", "ultimate_rejection_db")
        require_not_negative(
            self, "noise_figure_db", "deemphasis_s", "distortion_percent", "rf_gain_range_db"
        )
        require_not_negative(self, "residual_deviation_hz", "noise_blanker_loss_db")
        require_finite(self, "blocking_dbm", "phase_noise_db")
        require(4 <= self.filter_poles <= 12, "filter_poles", self.filter_poles, "4 to 12")
        require(
            self.audio_low_hz < self.audio_high_hz, "audio_low_hz", self.audio_low_hz, "below audio_high_hz"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalMeter:
    """The signal meter and its voltage line.

    ``needle``: ``s9_line_v`` at ``s9_dbm``, ``s_unit_v`` for every ``s_unit_width_db`` below, ``over_s9_v`` a
    10 dB above (both negative where the line falls as the level rises), held between ``minimum_v`` and ``maximum_v``;
    ``noise_v`` is the rms scatter of a 0.1 s reading.
    ``segments``: segment n lights at ``thresholds_dbm[n]`` and goes out ``hysteresis_db`` below;
    each adds ``segment_v``.
    """

    kind: Literal["needle", "segments"] = "needle"
    s9_dbm: float = -73.6
    s_unit_width_db: float = 6.0
    s9_line_v: float = 2.25
    s_unit_v: float = 0.25
    over_s9_v: float = 0.15
    minimum_v: float = 0.02
    maximum_v: float = 3.2
    attack_s: float = 0.25
    decay_s: float = 0.5
    noise_v: float = 0.012
    thresholds_dbm: Mapping[int, float] = field(default_factory=dict)
    hysteresis_db: float = 1.5
    jitter_db: float = 0.3
    segment_v: float = 0.25

    def __post_init__(self) -> None:
        require(self.kind in METER_KINDS, "kind", repr(self.kind), " or ".join(METER_KINDS))
        require_positive(self, "s_unit_width_db", "attack_s", "decay_s", "segment_v")
        require(
            self.s_unit_v * self.over_s9_v > 0,
            "over_s9_v",
            self.over_s9_v,
            "of the sign of s_unit_v, and not 0",
        )
        require_not_negative(self, "noise_v", "hysteresis_db", "jitter_db")
        require_finite(self, "s9_dbm", "s9_line_v", "minimum_v", "maximum_v")
        require(self.minimum_v < self.maximum_v, "minimum_v", self.minimum_v, "below maximum_v")
        self._require_rising_segments()

    def _require_rising_segments(self) -> None:
        numbers = sorted(self.thresholds_dbm)
        require(
            bool(numbers) or self.kind == "needle",
            "thresholds_dbm",
            "none",
            "one level for each segment, 1, 2, 3, ...",
        )
        require(
            numbers == list(range(1, len(numbers) + 1)), "thresholds_dbm", numbers, "segments 1, 2, 3, ..."
        )
        levels = [self.thresholds_dbm[number] for number in numbers]
        require(all(map(isfinite, levels)), "thresholds_dbm", levels, "finite levels")
        require(levels == sorted(set(levels)), "thresholds_dbm", levels, "levels that rise with the segment")


@dataclass(frozen=True, slots=True, kw_only=True)
class Squelch:
    """The squelch: opens at ``opens_dbm`` with its knob just on, at ``tight_dbm`` with the knob fully up."""

    opens_dbm: float = -122.0
    tight_dbm: float = -60.0
    hysteresis_db: float = 3.0
    jitter_db: float = 0.4
    attack_s: float = 0.06
    decay_s: float = 0.06

    def __post_init__(self) -> None:
        require_positive(self, "attack_s", "decay_s")
        require_not_negative(self, "hysteresis_db", "jitter_db")
        require_finite(self, "opens_dbm", "tight_dbm")
        require(self.opens_dbm < self.tight_dbm, "opens_dbm", self.opens_dbm, "below tight_dbm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spurious:
    """One line that does not belong there: its frequency, and its level relative to the power, a negative number of dB."""

    frequency_hz: float
    level_db: float

    def __post_init__(self) -> None:
        require_positive(self, "frequency_hz")
        require(-200 <= self.level_db <= 0, "level_db", self.level_db, "-200 to 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmitter:
    """The transmitter from microphone to antenna connector.

    ``power_w`` holds cold at ``nominal_supply_v``; once fully hot (``heat_rise_c`` above ambient) it has lost
    ``hot_loss_db``. ``microphone_v`` (rms, 1 kHz) gives 60 % of ``max_deviation_hz``. ``warm_up_ppm`` adds
    to ``frequency_error_ppm`` at switch-on and decays with ``warm_up_s``. ``asymmetry_percent`` is how much
    larger the positive peak is than the negative one. ``harmonics_db`` are levels relative to the power, the second harmonic
    first; ``phase_noise_db`` is its oscillator's noise 10 kHz away, dBc/Hz. The filter behind the limiter has
    ``splatter_poles`` poles at ``splatter_hz``: two are equal and real, more are Butterworth's.
    """

    power_w: float = 3.8
    nominal_supply_v: float = 13.2
    minimum_supply_v: float = 9.0
    heat_rise_c: float = 40.0
    heating_s: float = 30.0
    cooling_s: float = 90.0
    hot_loss_db: float = 0.15
    frequency_error_ppm: float = 0.8
    warm_up_ppm: float = -0.6
    warm_up_s: float = 120.0
    max_deviation_hz: float = 1_800.0
    microphone_v: float = 0.010
    preemphasis_s: float = 750e-6
    asymmetry_percent: float = 2.0
    distortion_percent: float = 1.2
    residual_deviation_hz: float = 12.0
    idle_a: float = 0.35
    transmit_a: float = 1.25
    splatter_hz: float = 4_500.0
    splatter_poles: int = 2
    harmonics_db: tuple[float, ...] = (-93.0, -95.0, -98.0, -100.0, -102.0)
    spurious: tuple[Spurious, ...] = ()
    phase_noise_db: float = -125.0
    signalling: Signalling = field(default_factory=Signalling)

    def __post_init__(self) -> None:
        require_positive(self, "nominal_supply_v", "minimum_supply_v", "heating_s", "cooling_s", "warm_up_s")
        require_positive(self, "max_deviation_hz", "microphone_v", "idle_a", "transmit_a")
        require_not_negative(
            self, "power_w", "heat_rise_c", "hot_loss_db", "preemphasis_s", "distortion_percent"
        )
        require_not_negative(self, "residual_deviation_hz")
        require_finite(self, "frequency_error_ppm", "warm_up_ppm")
        require_positive(self, "splatter_hz")
        require(self.splatter_poles in range(2, 13), "splatter_poles", self.splatter_poles, "2 to 12")
        levels_good = all(-200 <= level_db <= 0 for level_db in self.harmonics_db)
        require(levels_good, "harmonics_db", list(self.harmonics_db), "-200 to 0 dB")
        require(-180 <= self.phase_noise_db <= -60, "phase_noise_db", self.phase_noise_db, "-180 to -60")
        allowed = "-100 to 100"
        require(abs(self.asymmetry_percent) <= 100, "asymmetry_percent", self.asymmetry_percent, allowed)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelMemory:
    """The stored channels.

    ``plan`` CEPT: channels 1 to ``channels`` of the CEPT plan; ``frequency_hz`` overrides single ones or adds more.
    ``plan`` own: the channels that ``frequency_hz`` lists, and no others.
    """

    plan: Literal["CEPT", "own"] = "CEPT"
    channels: int = 40
    frequency_hz: Mapping[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        require(self.plan in MEMORY_PLANS, "plan", repr(self.plan), " or ".join(MEMORY_PLANS))
        require(1 <= self.channels <= 40, "channels", self.channels, "1 to 40")
        own = self.plan == "own"
        require(bool(self.frequency_hz) or not own, "frequency_hz", "none", "at least one channel of its own")
        for channel, frequency_hz in self.frequency_hz.items():
            require(1 <= channel <= 9_999, "frequency_hz", channel, "channels 1 to 9999")
            good = isfinite(frequency_hz) and frequency_hz > 0
            require(good, f"frequency_hz of channel {channel}", frequency_hz, "a finite number above 0")

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers of the stored channels, rising."""
        ruled = range(1, self.channels + 1) if self.plan == "CEPT" else ()
        return tuple(sorted({*ruled, *self.frequency_hz}))

    def channel_frequency_hz(self, channel: int) -> float:
        """Return the carrier frequency stored for ``channel``; ValueError if there is none."""
        stored_hz = self.frequency_hz.get(channel)
        if stored_hz is not None:
            return stored_hz
        ruled = self.plan == "CEPT" and channel in range(1, self.channels + 1)
        if (
            not ruled
        ):  # the words of a refusal cost more than the look-up, which is made at every step of the bench
            require(ruled, "channel", channel, _spans(self.numbers))
        return CEPT_FREQUENCIES_HZ[channel - 1]


def _spans(numbers: tuple[int, ...]) -> str:
    starts = [number for number in numbers if number - 1 not in numbers]
    ends = [number for number in numbers if number + 1 not in numbers]
    pairs = zip(starts, ends, strict=True)
    return ", ".join(f"{start} to {end}" if start != end else str(start) for start, end in pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Knobs:
    """Where the knobs stand, 0 to 1: RF gain 1 is full gain, squelch 0 is open. The defaults are right."""

    rf_gain: float = 1.0
    squelch: float = 0.0
    volume: float = 0.5
    noise_blanker: bool = False

    def __post_init__(self) -> None:
        for name in ("rf_gain", "squelch", "volume"):
            require(0 <= getattr(self, name) <= 1, name, getattr(self, name), "0 to 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropouts:
    """An intermittent joint: every ``interval_s`` on average, ``loss_db`` more for ``duration_s`` on average.

    ``interval_s`` 0 means never. ``side`` is receive, transmit or both.
    """

    interval_s: float = 0.0
    duration_s: float = 1.0
    loss_db: float = 25.0
    side: Literal["receive", "transmit", "both"] = "both"

    def __post_init__(self) -> None:
        require_not_negative(self, "interval_s", "loss_db")
        require_positive(self, "duration_s")
        require(self.side in DROPOUT_SIDES, "side", repr(self.side), ", ".join(DROPOUT_SIDES))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What changes with the unit's temperature, from what it is at that of `ambient`: the power, the reference, the noise figure.

    The reference follows a straight line and a cubic, as an AT-cut crystal does (about 1e-4 ppm for a kelvin cubed, from memory).
    """

    power_db_per_kelvin: float = 0.0
    reference_ppm_per_kelvin: float = 0.0
    reference_ppm_per_kelvin_cubed: float = 0.0
    noise_figure_db_per_kelvin: float = 0.0

    def __post_init__(self) -> None:
        require(
            abs(self.power_db_per_kelvin) <= 1, "power_db_per_kelvin", self.power_db_per_kelvin, "-1 to 1"
        )
        require_finite(self, "reference_ppm_per_kelvin", "reference_ppm_per_kelvin_cubed")
        slope = self.noise_figure_db_per_kelvin
        require(abs(slope) <= 1, "noise_figure_db_per_kelvin", slope, "-1 to 1")

    def power_db(self, kelvin: float) -> float:
        """Return by how much more power leaves it, dB, ``kelvin`` warmer."""
        return self.power_db_per_kelvin * kelvin

    def reference_ppm(self, kelvin: float) -> float:
        """Return by how much its reference is higher, ppm."""
        return self.reference_ppm_per_kelvin * kelvin + self.reference_ppm_per_kelvin_cubed * kelvin**3


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """The surroundings: room temperature, and for how long the unit had been on when the bench took over."""

    temperature_c: float = 23.0
    warmed_s: float = 0.0

    def __post_init__(self) -> None:
        require_not_negative(self, "warmed_s")
        require(-40 <= self.temperature_c <= 70, "temperature_c", self.temperature_c, "-40 to 70")


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """One unit as it lies on the shelf. ``fault`` says in words what is wrong with it, empty if sound.

    Without ``keying`` its carrier stands as soon as PTT is pressed, and goes as soon as it is released.
    """

    serial: str
    model: str = "M40"
    maker: str = "Brackenholt"
    description: str = "40-channel FM mobile, 26.965 to 27.405 MHz, 4 W"
    fault: str = ""
    modes: tuple[str, ...] = ("FM",)
    channel: int = 1
    receiver: Receiver = field(default_factory=Receiver)
    front_end: FrontEnd | None = None
    leakage: Leakage = field(default_factory=Leakage)
    meter: SignalMeter = field(default_factory=SignalMeter)
    squelch: Squelch = field(default_factory=Squelch)
    decoder: Decoder | None = None
    transmitter: Transmitter = field(default_factory=Transmitter)
    keying: Keying | None = None
    am: AmMode | None = None
    ssb: SsbMode | None = None
    tuning: Tuning = field(default_factory=Tuning)
    memory: ChannelMemory = field(default_factory=ChannelMemory)
    knobs: Knobs = field(default_factory=Knobs)
    dropouts: Dropouts = field(default_factory=Dropouts)
    ambient: Ambient = field(default_factory=Ambient)
    drift: Drift | None = None
    presets: Mapping[str, Preset] = field(default_factory=dict)

    def __post_init__(self) -> None:
        require(bool(self.serial.strip()), "serial", repr(self.serial), "a serial number")
        possible = ("FM", *(("AM",) if self.am else ()), *(("USB", "LSB", "CW") if self.ssb else ()))
        impossible = [mode for mode in self.modes if mode not in possible]
        known = f"{', '.join(possible)} (AM needs a section 'am'; USB, LSB and CW need a section 'ssb')"
        require(bool(self.modes) and not impossible, "modes", impossible or "none", known)
        self.memory.channel_frequency_hz(self.channel)
