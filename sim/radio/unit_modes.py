"""What a specimen file states of AM, SSB and CW, and of the frequencies a unit can be asked to go to.

A unit has AM if its file has a section ``am`` and USB, LSB or CW if it has a section ``ssb``; FM is in the sections
``receiver`` and ``transmitter``, whose front end, audio and supply the other modes share.

Sources: AGC figures after an HF SSB service manual (output down 6 dB between 50 mV and 2.5 µV pd); automatic
limiting of AM below 100 % after 47 CFR 95.975; the other defaults are common practice, no source.

Not modelled: a noise limiter, IF shift, passband tuning, VOX, speech processing, break-in, vestigial carrier AM.
"""

from __future__ import annotations

from dataclasses import field

from sim.frozen import dataclass
from sim.requirements import require, require_finite, require_not_negative, require_positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Agc:
    """Automatic gain control: linear below ``threshold_dbm``, ``slope`` dB more output for each dB above.

    ``attack_s`` and ``decay_s`` are how fast the gain follows a rising and a falling level.
    """

    threshold_dbm: float = -105.0
    slope: float = 0.05
    attack_s: float = 0.02
    decay_s: float = 0.3

    def __post_init__(self) -> None:
        require_positive(self, "attack_s", "decay_s")
        require_finite(self, "threshold_dbm")
        require(0 <= self.slope <= 1, "slope", self.slope, "0 to 1")

    def output_db(self, level_dbm: float) -> float:
        """Return the output for an input level, dB relative to the output at the threshold."""
        above_db = level_dbm - self.threshold_dbm
        return self.slope * above_db if above_db > 0 else above_db


@dataclass(frozen=True, slots=True, kw_only=True)
class AmReceiver:
    """The AM side of the receiver: IF filter, envelope detector, AGC.

    The loudspeaker voltage of the section ``receiver`` holds for 60 % depth. ``distortion_percent`` holds for 30 %
    depth and grows with it; at ``overload_dbm`` some 5 % more are there. ``hum_percent`` is of the carrier.
    """

    bandwidth_hz: float = 6_000.0
    filter_poles: int = 10
    distortion_percent: float = 1.5
    hum_percent: float = 0.15
    overload_dbm: float = 0.0
    agc: Agc = field(default_factory=Agc)

    def __post_init__(self) -> None:
        require_positive(self, "bandwidth_hz")
        require_not_negative(self, "distortion_percent", "hum_percent")
        require_finite(self, "overload_dbm")
        require(4 <= self.filter_poles <= 12, "filter_poles", self.filter_poles, "4 to 12")


@dataclass(frozen=True, slots=True, kw_only=True)
class AmTransmitter:
    """The AM side of the transmitter.

    ``carrier_w`` holds cold at nominal supply. ``microphone_v`` (rms, 1 kHz) gives 60 % depth; the limiter holds the
    depth at ``limit_percent`` (above 100 % the troughs are cut off); ``asymmetry_percent`` is how much larger upward
    peaks are than downward ones; ``hum_percent`` (rms) is of the carrier.
    """

    carrier_w: float = 3.7
    microphone_v: float = 0.010
    limit_percent: float = 92.0
    asymmetry_percent: float = 4.0
    distortion_percent: float = 2.0
    hum_percent: float = 0.4
    transmit_a: float = 1.3

    def __post_init__(self) -> None:
        require_positive(self, "microphone_v", "limit_percent", "transmit_a")
        require_not_negative(self, "carrier_w", "distortion_percent", "hum_percent")
        allowed = "-50 to 50"
        require(abs(self.asymmetry_percent) <= 50, "asymmetry_percent", self.asymmetry_percent, allowed)


@dataclass(frozen=True, slots=True, kw_only=True)
class AmMode:
    """Amplitude modulation."""

    receiver: AmReceiver = field(default_factory=AmReceiver)
    transmitter: AmTransmitter = field(default_factory=AmTransmitter)


@dataclass(frozen=True, slots=True, kw_only=True)
class SsbReceiver:
    """The SSB and CW side of the receiver: IF filter beside the carrier, product detector, AGC.

    The filter of SSB reaches from ``low_hz`` to ``low_hz + bandwidth_hz`` beside the carrier, that of CW lies about
    the carrier, which is heard at ``cw_pitch_hz``. The loudspeaker voltage of the section ``receiver`` holds for a
    carrier at the AGC's threshold.
    """

    bandwidth_hz: float = 2_400.0
    low_hz: float = 300.0
    filter_poles: int = 10
    cw_bandwidth_hz: float = 500.0
    cw_pitch_hz: float = 700.0
    distortion_percent: float = 1.0
    overload_dbm: float = 0.0
    agc: Agc = field(default_factory=Agc)

    def __post_init__(self) -> None:
        require_positive(self, "bandwidth_hz", "low_hz", "cw_bandwidth_hz", "cw_pitch_hz")
        require_not_negative(self, "distortion_percent")
        require_finite(self, "overload_dbm")
        require(4 <= self.filter_poles <= 12, "filter_poles", self.filter_poles, "4 to 12")


@dataclass(frozen=True, slots=True, kw_only=True)
class SsbTransmitter:
    """The SSB and CW side of the transmitter.

    ``pep_w`` holds cold at nominal supply and is where the ALC begins. ``microphone_v`` (rms, 1 kHz, one tone) just
    reaches it; ``alc_excess_db`` is how far beyond it the drive may go (a sound ALC: 0 dB). ``third_order_db`` is how
    far the third-order products of two equal tones lie below either tone at rated PEP; ``carrier_suppression_db`` and
    ``sideband_suppression_db`` are below rated PEP and below the wanted tone.
    """

    pep_w: float = 11.0
    microphone_v: float = 0.005
    alc_excess_db: float = 0.0
    third_order_db: float = 28.0
    carrier_suppression_db: float = 50.0
    sideband_suppression_db: float = 55.0
    audio_low_hz: float = 300.0
    audio_high_hz: float = 2_700.0
    transmit_a: float = 2.2

    def __post_init__(self) -> None:
        require_positive(self, "microphone_v", "audio_low_hz", "audio_high_hz", "transmit_a")
        require_not_negative(self, "pep_w", "alc_excess_db", "carrier_suppression_db")
        require_not_negative(self, "sideband_suppression_db")
        require(self.third_order_db >= 15, "third_order_db", self.third_order_db, "15 dB or more")
        require(
            self.audio_low_hz < self.audio_high_hz, "audio_low_hz", self.audio_low_hz, "below audio_high_hz"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SsbMode:
    """Single sideband, upper and lower, and CW with it."""

    receiver: SsbReceiver = field(default_factory=SsbReceiver)
    transmitter: SsbTransmitter = field(default_factory=SsbTransmitter)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """Frequencies beyond the stored channels that the unit can be asked to go to, and where it then transmits.

    ``lowest_hz`` to ``highest_hz`` is what the dial or the programming port takes; 0 to 0 is a unit with stored
    channels only. ``transmit_hz`` are band edges, lower and upper in turn; none means wherever it stands.
    """

    lowest_hz: float = 0.0
    highest_hz: float = 0.0
    transmit_hz: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        require_not_negative(self, "lowest_hz", "highest_hz")
        require(self.lowest_hz <= self.highest_hz, "lowest_hz", self.lowest_hz, "highest_hz or less")
        edges = list(self.transmit_hz)
        rising = edges == sorted(set(edges)) and len(edges) % 2 == 0
        require(
            rising, "transmit_hz", edges, "band edges in pairs that rise: lower, upper, lower, upper, ..."
        )

    def reaches(self, frequency_hz: float) -> bool:
        """Return whether the unit can be asked to go to ``frequency_hz``."""
        return self.highest_hz > 0 and self.lowest_hz <= frequency_hz <= self.highest_hz

    def transmits(self, frequency_hz: float) -> bool:
        """Return whether the unit transmits at ``frequency_hz``."""
        pairs = zip(self.transmit_hz[::2], self.transmit_hz[1::2], strict=True)
        return not self.transmit_hz or any(lower <= frequency_hz <= upper for lower, upper in pairs)
