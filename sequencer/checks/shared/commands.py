"""Which commands of its instruments a check cannot do without: role and name as in a profile, for the plan to prove.

What every instrument of a role has (frequency, level, output, …) is not listed, nor what a driver leaves out by itself where its
profile has none (weightings that are not asked for, a reading time, a notch).
"""

from __future__ import annotations

from drivers.profiled.commands import INTERFERER_ROLE, Need
from sequencer.checks.shared.level_search.sensitivity import SensitivitySettingsBase
from sequencer.checks.shared.level_search.wanted_signal import UNMODULATED


def of(role: str, *names: str) -> frozenset[Need]:
    """Return the commands ``names`` of ``role``."""
    return frozenset((role, name) for name in names)


def generator_modulation(mode: str, *, interferer: bool = False) -> frozenset[Need]:
    """Return what modulates the generator (or the second one) as the mode wants it."""
    kind = mode.lower()
    if kind not in ("fm", "am"):
        return frozenset()
    role = INTERFERER_ROLE if interferer else "signal_generator"
    return of(role, "fm_deviation" if kind == "fm" else "am_depth", f"{kind}_tone", f"{kind}_state")


def wanted_signal(mode: str) -> frozenset[Need]:
    """Return what gives the receiver its signal; in SSB and CW the tone is looked for at the loudspeaker."""
    tone = of("audio_analyser", "audio_frequency") if mode in UNMODULATED else frozenset()
    return generator_modulation(mode) | tone


def sensitivity(settings: SensitivitySettingsBase, mode: str) -> frozenset[Need]:
    """Return what reads the loudspeaker as the target is defined, and what is heard there."""
    needed = wanted_signal(mode) if settings.target.kind != "quieting" else frozenset()
    if settings.weighting != "flat":
        needed |= of("audio_analyser", settings.weighting.replace("-", "_").lower())
    if settings.read == "samples":
        needed |= recording("audio_analyser")
    if settings.target.kind == "SINAD":
        return needed | of("audio_analyser", "sinad")
    return needed if settings.read == "samples" else needed | of("audio_analyser", "level")


def recording(role: str, name: str = "recorded_audio") -> frozenset[Need]:
    """Return what a recording of samples takes."""
    return of(role, "recording_points", "recording_interval", "record", name)


def peak_modulation(mode: str) -> frozenset[Need]:
    """Return what reads both peaks of the transmitter's modulation."""
    kind = "deviation" if mode == "FM" else "depth"
    return of("modulation_analyser", f"{kind}_positive", f"{kind}_negative")


def rms_modulation(mode: str) -> frozenset[Need]:
    """Return what reads the rms of the transmitter's modulation."""
    return of("modulation_analyser", "deviation_rms" if mode == "FM" else "depth_rms")


def demodulated_audio(*, deemphasis: bool) -> frozenset[Need]:
    """Return what filters demodulated audio from 300 Hz to 3 kHz."""
    corners = ("high_pass", "high_pass_frequency", "low_pass", "low_pass_frequency")
    emphasis = ("deemphasis", "deemphasis_time") if deemphasis else ()
    return of("modulation_analyser", "demodulator", *corners, *emphasis)
