"""What one specimen sends and draws in each mode, given its tones, supply and heat.

Source of power against supply and heat: transmitter.py. Current: a class-C stage (FM, and AM at carrier level) draws
with the voltage, a linear one (SSB, CW) a fixed share idling and the rest with its mean envelope, as class AB does;
common practice, no source.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

from sim.frozen import dataclass
from sim.radio.am_transmitter import am_modulation
from sim.radio.emission import Emission, Line
from sim.radio.signalling import lines_of
from sim.radio.speech_path import Tone
from sim.radio.ssb_transmitter import ssb_modulation
from sim.radio.transmitter import fm_modulation, power_ratio, supply_ratio, transmit_current_a
from sim.radio.unit import Specimen

_QUIESCENT_SHARE = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Keyed:
    """A keyed unit at one moment: where, with what at the microphone, supplied how, how warm, losing how much."""

    mode: str
    frequency_hz: float
    tones: tuple[Tone, ...]
    supply_v: float
    rise_c: float = 0.0
    loss_db: float = 0.0


def emit(specimen: Specimen, keyed: Keyed) -> Emission:
    """Return what leaves the antenna connector."""
    ways = {"AM": _emit_am, "FM": _emit_fm}
    return ways.get(keyed.mode, _emit_ssb)(specimen, keyed, _beside(specimen))


def _beside(specimen: Specimen) -> dict[str, Any]:
    """Return what every emission of a specimen has beside its own lines."""
    transmitter = specimen.transmitter
    return {
        "harmonics_db": transmitter.harmonics_db,
        "spurious": tuple((one.frequency_hz, one.level_db) for one in transmitter.spurious),
        "phase_noise_db": transmitter.phase_noise_db,
    }


def rated_w(specimen: Specimen, mode: str) -> float:
    """Return the power stated for a mode: the carrier in FM and AM, the peak envelope power in SSB and CW."""
    if mode == "AM" and specimen.am is not None:
        return specimen.am.transmitter.carrier_w
    if mode in ("USB", "LSB", "CW") and specimen.ssb is not None:
        return specimen.ssb.transmitter.pep_w
    return specimen.transmitter.power_w


def _available_w(specimen: Specimen, keyed: Keyed) -> float:
    """Return the rated power as supply, heat and a bad joint leave it."""
    ratio = power_ratio(specimen.transmitter, keyed.supply_v, keyed.rise_c)
    return rated_w(specimen, keyed.mode) * ratio * float(10.0 ** (-keyed.loss_db / 10.0))


def _emit_fm(specimen: Specimen, keyed: Keyed, beside: dict[str, Any]) -> Emission:
    swing = fm_modulation(specimen.transmitter, keyed.tones)
    signalling = specimen.transmitter.signalling
    return Emission(
        power_w=_available_w(specimen, keyed),
        frequency_hz=keyed.frequency_hz,
        deviation_positive_hz=swing.positive_hz + signalling.peak_hz,
        deviation_negative_hz=swing.negative_hz + signalling.peak_hz,
        tone_hz=keyed.tones[0].frequency_hz if swing.positive_hz > 0 else 0.0,
        distortion_percent=swing.distortion_percent,
        residual_deviation_hz=specimen.transmitter.residual_deviation_hz,
        lines=swing.lines,
        signalling=lines_of(signalling),
        **beside,
    )


def _emit_am(specimen: Specimen, keyed: Keyed, beside: dict[str, Any]) -> Emission:
    assert specimen.am is not None
    envelope = am_modulation(specimen.am.transmitter, keyed.tones)
    carrier_w = _available_w(specimen, keyed)
    return Emission(
        power_w=carrier_w * envelope.mean_square,
        frequency_hz=keyed.frequency_hz,
        deviation_positive_hz=0.0,
        deviation_negative_hz=0.0,
        tone_hz=keyed.tones[0].frequency_hz if envelope.lines else 0.0,
        distortion_percent=envelope.distortion_percent,
        residual_deviation_hz=specimen.transmitter.residual_deviation_hz,
        mode="AM",
        pep_w=carrier_w * envelope.peak_square,
        depth_positive_percent=envelope.positive_percent,
        depth_negative_percent=envelope.negative_percent,
        residual_depth_percent=specimen.am.transmitter.hum_percent,
        lines=envelope.lines,
        **beside,
    )


def _emit_ssb(specimen: Specimen, keyed: Keyed, beside: dict[str, Any]) -> Emission:
    assert specimen.ssb is not None
    sideband = ssb_modulation(specimen.ssb.transmitter, keyed.mode, keyed.tones)
    pep_w = _available_w(specimen, keyed)
    lines = tuple(
        Line(frequency_hz=line.frequency_hz, amplitude=line.amplitude * sqrt(pep_w))
        for line in sideband.lines
    )
    return Emission(
        power_w=pep_w * sideband.mean_square,
        frequency_hz=keyed.frequency_hz,
        deviation_positive_hz=0.0,
        deviation_negative_hz=0.0,
        tone_hz=keyed.tones[0].frequency_hz if len(lines) > 1 else 0.0,
        distortion_percent=0.0,
        residual_deviation_hz=0.0,
        mode=keyed.mode,
        pep_w=pep_w * sideband.peak_square,
        lines=lines,
        **beside,
    )


def drawn_a(specimen: Specimen, keyed: Keyed) -> float:
    """Return the current that the unit draws keyed, A."""
    transmitter = specimen.transmitter
    if keyed.mode == "FM":
        return transmit_current_a(transmitter, keyed.supply_v)
    ratio = supply_ratio(transmitter, keyed.supply_v)
    if keyed.mode == "AM" and specimen.am is not None:
        return transmitter.idle_a + specimen.am.transmitter.transmit_a * ratio
    assert specimen.ssb is not None
    stage = specimen.ssb.transmitter
    envelope = ssb_modulation(stage, keyed.mode, keyed.tones).mean_envelope
    share = _QUIESCENT_SHARE + (1.0 - _QUIESCENT_SHARE) * envelope
    return transmitter.idle_a + stage.transmit_a * ratio * share
