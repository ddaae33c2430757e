"""What the checks of a transmitter's spectrum share: how the analyser is set, how a trace is believed, and whose power it is.

An analyser says nothing of a mixer that it compresses. So a trace is believed where a second one, with 10 dB more of input attenuation,
shows the same carrier, and where that is the one that the power meter reads, if the bench has one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from drivers.roles import RangeState, Spectrum, SpectrumSettings
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.inputs.bench import longest_release_s
from sequencer.inputs.bench_parts.instrument_roles import USUAL_SWEEP_FACTOR, SpectrumAnalyser
from sequencer.results.model import Point
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.carriers import HeldCarrier
from sequencer.safety.transmitting.spectrum_readings import SWEEP_ANSWERS, SWEEP_ROOM

if TYPE_CHECKING:
    from sequencer.dsp.spectrum import PowerSpectrum

ROLE = "spectrum_analyser"
COMMANDS = ("trace", "detector", "sweep_points", "sweep_time")
"""What no check of the spectrum can do without: how long a sweep takes is waited for, and a trace has as many points as were set."""
AT_MIXER_DBM = -10.0
"""What a carrier may be behind the input attenuator: 25 dB below the intercept of ordinary mixers, common practice, no source."""
LEAST_ATTENUATION_DB, MOST_ATTENUATION_DB, STEP_DB = 10.0, 60.0, 10.0
PROOF_DB = 10.0
ABOVE_CARRIER_DB = 5.0
LEAST_LINEAR_DB = 0.3
"""By how much two attenuations may disagree before the mixer is to blame, beside what is stated of attenuator and scale. Workshop's own."""
UNEXPLAINED_DB = 1.0
"""By how much analyser and power meter may disagree beside what both state. Workshop's own."""
POINTS_PER_FILTER = 4
NEAREST_HZ = 500.0  # of a band's edge: what lies nearer is the edge's own, by the filter
WIDER = 1.05  # than what the span of a narrower filter asks for: with the filter the span grows
MOST_KEPT = 400
"""Points of a trace that are kept with a result."""
RESTS = "the level rests on the spectrum analyser's word and its cable; 'harmonics' before it would hold one"
UNHELD = f"before it in this run no carrier was held against the power meter: {RESTS}"
PARTED = f"cables were moved since a carrier was held against the power meter: {RESTS}"
UNSTATED_DB = 3.0  # taken where the bench file states nothing of it, for what cannot be right


class Untrusted(Exception):
    """A trace that cannot be believed; ``why`` is what a result says, ``is_over_range`` whether too much came in."""

    def __init__(self, *, why: str, is_over_range: bool = False) -> None:
        super().__init__(why)
        self.why = why
        self.is_over_range = is_over_range


def entry_of(conditions: Conditions) -> SpectrumAnalyser:
    """Return the analyser's entry in the bench file; the plan has proved that there is one."""
    named = conditions.bench.with_role("spectrum_analyser")
    assert named is not None
    return named[1]


def attenuation_db(level_dbm: float, at_mixer_dbm: float = AT_MIXER_DBM) -> float:
    """Return the input attenuation for a level at the analyser's connector: whole tens, 10 dB at least."""
    wanted = STEP_DB * math.ceil((level_dbm - at_mixer_dbm) / STEP_DB)
    return min(MOST_ATTENUATION_DB, max(LEAST_ATTENUATION_DB, wanted))


def reference_dbm(level_dbm: float) -> float:
    """Return the reference level for a level at the analyser's connector: whole tens, a little above it."""
    return STEP_DB * math.ceil((level_dbm + ABOVE_CARRIER_DB) / STEP_DB)


def points_for(span_hz: float, filter_hz: float) -> int:
    """Return how many points a span needs, so that no line falls between two: a quarter of the filter apart, an odd number of them."""
    return 2 * math.ceil(span_hz * POINTS_PER_FILTER / filter_hz / 2.0) + 1


def power_spectrum(spectrum: Spectrum, conditions: Conditions, *, loss_db: float) -> PowerSpectrum:
    """Return a trace as powers at the unit's antenna connector."""
    from sequencer.dsp.spectrum import swept_spectrum

    made = spectrum.settings
    return swept_spectrum(
        spectrum.levels_dbm + loss_db,
        first_hz=made.start_hz,
        step_hz=made.step_hz,
        noise_bandwidth_hz=made.resolution_bandwidth_hz * entry_of(conditions).noise_bandwidth,
    )


def believed(spectrum: Spectrum) -> Spectrum:
    """Return a trace that its instrument says nothing against. Raises `Untrusted`."""
    if spectrum.state is RangeState.NO_MEASUREMENT:
        raise Untrusted(
            why=f"spectrum analyser: {spectrum.state.value}: the trace holds a point that is no number"
        )
    if spectrum.state is not RangeState.IN_RANGE:
        raise Untrusted(
            why=f"spectrum analyser: {spectrum.state.value}; put more attenuation before it",
            is_over_range=spectrum.state is RangeState.OVER_RANGE,
        )
    if spectrum.is_calibrated is False:
        raise Untrusted(
            why="spectrum analyser: it swept too fast to be right; widen the resolution bandwidth"
        )
    return spectrum


def refuse_compressed(
    side: TransmitSide, settings: SpectrumSettings, spectrum: Spectrum, conditions: Conditions
) -> Spectrum:
    """Sweep once more with 10 dB more of attenuation and return that trace. Raises `Untrusted` where the highest line is another.

    A mixer that is compressed shows a carrier that rises, whatever its own status bits say.
    """
    padded = replace(settings, attenuation_db=settings.attenuation_db + PROOF_DB)
    again = believed(side.read_spectrum(padded))
    rises_db = float(again.levels_dbm.max() - spectrum.levels_dbm.max())
    within_db = LEAST_LINEAR_DB + sum(
        (half.figure if half is not None and half.figure is not None else UNSTATED_DB / 2.0)
        for half in (HalfWidth.of(conditions.bench, ROLE, key) for key in ("attenuator", "scale"))
    )
    if abs(rises_db) > within_db:
        why = "its input is overloaded" if rises_db > 0 else "its attenuator does not do what it says"
        raise Untrusted(
            why=f"spectrum analyser: over range: with 10 dB more of attenuation the carrier reads {rises_db:+.2f} dB; {why}"
        )
    return again


def refuse_another_carrier(
    side: TransmitSide, carrier_dbm: float, meter_dbm: float, conditions: Conditions, *, by: str = ROLE
) -> None:
    """Raise `Untrusted` where the carrier that ``by`` shows, dBm at the antenna connector, is not the one that the power meter reads.

    What the spectrum analyser showed is noted for what comes after and has no carrier of its own (`unheld`).
    """
    keys = ("level", "response", "scale") if by == ROLE else ("linearity",)
    stated = (HalfWidth.of(conditions.bench, by, key) for key in keys)
    within_db = UNEXPLAINED_DB + sum(
        half.figure if half is not None and half.figure is not None else UNSTATED_DB / 3.0 for half in stated
    )
    if by == ROLE and (notch := conditions.bench.paths.notch) is not None:
        within_db += UNSTATED_DB if notch.uncertainty_db is None else notch.uncertainty_db
    held = HeldCarrier(
        shown_dbm=carrier_dbm, meter_dbm=meter_dbm, agrees=abs(carrier_dbm - meter_dbm) <= within_db
    )
    if by == ROLE:
        side.note_held(held)
    if not held.agrees:
        raise Untrusted(why=f"the {by.replace('_', ' ')} shows {_parted(held)}")


def _parted(held: HeldCarrier) -> str:
    return (
        f"a carrier of {held.shown_dbm:.1f} dBm and the power meter one of {held.meter_dbm:.1f} dBm: "
        "look at the analyser's cable, its input and its reference level"
    )


def unheld(side: TransmitSide) -> str:
    """Return in words that no carrier of the analyser was held against the power meter yet; nothing where it was, and they agreed.

    For what is read of an unkeyed unit. Raises `Untrusted` where they disagreed when they were last held against each other.
    """
    held = side.held_carrier
    if held is None:
        return PARTED if side.is_parted else UNHELD
    if not held.agrees:
        apart_db = abs(held.shown_dbm - held.meter_dbm)
        raise Untrusted(
            why=f"earlier in this run the spectrum analyser and the power meter were {apart_db:.1f} dB apart: it showed {_parted(held)}"
        )
    return ""


def trace_points(levels: Sequence[tuple[float, float]]) -> tuple[Point, ...]:
    """Return a trace, frequency (Hz) and level (dBm at the antenna connector) of each point, as it is kept with a result.

    Of a long one the highest of each few points is kept, so that no line is lost.
    """
    some = math.ceil(len(levels) / MOST_KEPT) if levels else 1
    kept = [max(levels[at : at + some], key=lambda one: one[1]) for at in range(0, len(levels), some)]
    return tuple(Point.of_trace(at_hz, level_dbm) for at_hz, level_dbm in kept)


def sweep_note(spectrum: Spectrum) -> str:
    """Return in words what the analyser could not say of its own sweep; nothing where it said all."""
    silent = []
    if spectrum.is_calibrated is None:
        silent.append("that the sweep was slow enough")
    if not spectrum.is_watched:
        silent.append("that the input was not overloaded")
    if not silent:
        return ""
    return f"{' and '.join(silent)} rests on no word of the analyser: unproved"


def own_noise(seen: PowerSpectrum, conditions: Conditions, band_hz: tuple[float, float]) -> float | None:
    """Return the analyser's own noise within a band, of the whole power; None where the bench file does not state it.

    Each part of the spectrum outside the band brings its own: from the noise 10 kHz away, falling with the square of the offset as an
    oscillator's does (textbook).
    """
    import numpy as np

    at_10_khz_db = entry_of(conditions).phase_noise_db
    if at_10_khz_db is None:
        return None
    low_hz, high_hz = band_hz
    at_hz = seen.first_hz + seen.step_hz * np.arange(len(seen.powers_w))
    outside = (at_hz < low_hz - NEAREST_HZ) | (at_hz > high_hz + NEAREST_HZ)
    near, far = np.abs(low_hz - at_hz[outside]), np.abs(high_hz - at_hz[outside])
    density = 10.0 ** (at_10_khz_db / 10.0) * 1e8 * np.abs(1.0 / near - 1.0 / far)
    return float(np.sum(seen.powers_w[outside] * density)) / seen.total_w


def notch_db(conditions: Conditions, frequency_hz: float) -> float:
    """Return what the filter before the analyser loses at a frequency, dB; 0 where the bench file states none."""
    notch = conditions.bench.paths.notch
    return 0.0 if notch is None else notch.loss_db(frequency_hz)


def loss_db(side: TransmitSide, conditions: Conditions, frequency_hz: float) -> float:
    """Return what stands between the unit and the analyser at a frequency, dB."""
    return side.loss_db(frequency_hz) + notch_db(conditions, frequency_hz)


def notch_refusal(conditions: Conditions) -> tuple[str, str] | None:
    """Return why the channel itself cannot be looked at: a filter takes it out; None where none does."""
    if conditions.bench.paths.notch is None:
        return None
    return (
        "the filter before the spectrum analyser (paths.notch) takes the carrier out, and with it the channel that is looked at",
        "'read: samples', or a bench file without 'notch' once the filter is taken away",
    )


def filter_refusal(conditions: Conditions, filter_hz: float) -> tuple[str, str] | None:
    """Return why the analyser of the bench file cannot look with this filter: what was found, what is allowed; None where it can."""
    from sequencer.inputs.bench_parts.loss_table import frequency_text

    filters_hz = entry_of(conditions).filters_hz
    if filters_hz is None or any(abs(one / filter_hz - 1.0) < 0.01 for one in filters_hz):
        return None
    return (
        f"the spectrum analyser has no resolution bandwidth of {frequency_text(filter_hz)}",
        "one of " + ", ".join(map(frequency_text, sorted(filters_hz))),
    )


def span_refusal(conditions: Conditions, low_hz: float, high_hz: float) -> tuple[str, str] | None:
    """Return why this bench cannot look from one frequency to another: its analyser, or the loss table of its path; None where it can."""
    from sequencer.inputs.bench_parts.loss_table import frequency_text

    entry, path = entry_of(conditions), conditions.bench.paths.transmit
    for edge_hz, what in ((entry.lowest_hz, "lowest"), (entry.highest_hz, "highest")):
        if edge_hz is not None and (low_hz < edge_hz if what == "lowest" else high_hz > edge_hz):
            return (
                f"{frequency_text(low_hz)} to {frequency_text(high_hz)} lies beyond the {what} frequency of the spectrum analyser",
                f"{'from' if what == 'lowest' else 'up to'} {frequency_text(edge_hz)}",
            )
    known = (
        ("transmit path", path),
        ("filter before the analyser (paths.notch)", conditions.bench.paths.notch),
    )
    for name, one in known:
        for at_hz in (low_hz, high_hz):
            if one is not None and (end_hz := one.end_taken_hz(at_hz)) is not None:
                return (
                    f"the loss table of the {name} ends at {frequency_text(end_hz)}, and {frequency_text(at_hz)} is looked at",
                    "a loss measured there too ('path_loss'), or a narrower range",
                )
    return None


def sweep_s(conditions: Conditions, span_hz: float, filter_hz: float) -> float:
    """Return about how long the analyser of the bench file takes for a sweep, s."""
    named = conditions.bench.with_role("spectrum_analyser")
    factor = USUAL_SWEEP_FACTOR if named is None else named[1].sweep_factor
    return factor * span_hz / filter_hz**2


def sweep_refusal(conditions: Conditions, span_hz: float, filter_hz: float) -> tuple[str, str] | None:
    """Return why a sweep of the keyed unit does not fit into `max_key_time`: what was found, what is allowed; None where it does."""
    from sequencer.inputs.bench_parts.loss_table import frequency_text

    bench, entry = conditions.bench, entry_of(conditions)
    radio = bench.with_role("radio")
    if radio is None or radio[1].manual or entry.manual:
        return None
    answers_s = SWEEP_ANSWERS * (entry.timeout_s + entry.settling_s)
    room_s = bench.protection.max_key_time_s - longest_release_s(radio[1]) - answers_s
    takes_s = sweep_s(conditions, span_hz, filter_hz)
    if SWEEP_ROOM * takes_s <= room_s:
        return None
    least_hz = math.sqrt(SWEEP_ROOM * entry.sweep_factor * span_hz / max(room_s, 1e-3))
    takes = (
        f"a sweep of {frequency_text(span_hz)} with a filter of {frequency_text(filter_hz)} takes about {takes_s:.3g} s of "
        "transmitting, which with its answers and a release of PTT does not fit into max_key_time "
        f"{bench.protection.max_key_time_s:g} s"
    )
    allowed = (
        f"a filter of {frequency_text(_filter_from(least_hz, entry))} or more, a narrower span, or 'sweep_factor' of the analyser in the "
        "bench file if it sweeps faster"
    )
    return takes, allowed


def _filter_from(least_hz: float, entry: SpectrumAnalyser) -> float:
    """Return the narrowest filter of the analyser that is wide enough; two digits, where nobody has stated which it has."""
    wide_hz = WIDER * least_hz
    own = [one for one in entry.filters_hz or () if one >= wide_hz]
    digit_hz = 10.0 ** (math.floor(math.log10(wide_hz)) - 1)
    return min(own) if own else math.ceil(wide_hz / digit_hz) * digit_hz
