"""What a line of a transmitter's spectrum comes to: its power and how far it lies below the carrier, each with its budget."""

from __future__ import annotations

from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, two_readings
from sequencer.checks.shared.spectrum.spectral_lines import BROAD, Carrier, Line
from sequencer.inputs.stated import TRANSMIT_PATH, spectrum_pairs
from sequencer.results.text import with_bound
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import DB_PER_RELATIVE_POWER, repeatability, resolution
from sequencer.uncertainty.decision import Bound, Limits
from sequencer.units.convert import w_from_dbm
from sequencer.units.format import format_quantity


def line_findings(
    name: str,
    line: Line,
    carrier: Carrier | None,
    conditions: Conditions,
    *,
    limits: Limits,
    ratio_limits: Limits | None = None,
    note: str = "",
) -> list[Finding]:
    """Return a line's power, W, and (with ``ratio_limits``) how far it lies below the carrier, dB; no ``carrier`` with PTT released."""
    power_w = w_from_dbm(line.level_dbm)
    said = "; ".join(
        filter(
            None,
            (
                note,
                format_quantity(line.filter_hz, "Hz"),
                BROAD if line.is_broad else "",
                line.why if line.at_most else "",
            ),
        )
    )
    found = [
        _judged(
            name,
            "W",
            power_w,
            line,
            conditions,
            limits,
            said,
            per_db=power_w / DB_PER_RELATIVE_POWER,
            is_released=carrier is None,
        )
    ]
    if ratio_limits is not None:
        assert carrier is not None
        ratio_db = carrier.shown_dbm - line.level_dbm
        found.append(
            _judged(
                f"{name} below carrier",
                "dB",
                ratio_db,
                line,
                conditions,
                ratio_limits,
                said,
                per_db=None,
                is_released=False,
            )
        )
    return found


def _judged(
    quantity: str,
    unit: str,
    value: float,
    line: Line,
    conditions: Conditions,
    limits: Limits,
    note: str,
    *,
    per_db: float | None,
    is_released: bool,
) -> Finding:
    """Return one finding; a bound that is on the wrong side of a limit decides nothing."""
    bound = _bound(line, unit)
    if bound and not limits.contains(value):
        more = (
            "an analyser with less noise, or less before it, would show more"
            if is_released
            else "a filter that takes the carrier out ('paths.notch') would show more"
            if conditions.bench.paths.notch is None
            else "the filter takes the carrier out, and the rest is the analyser's own; one with less noise would show more"
        )
        found = with_bound(bound, format_quantity(value, unit))
        why = f"{found}: {note}; that is beyond the limit, so that nothing is known: {more}"
        return Finding(
            quantity=quantity, value=None, unit=unit, limits=limits, note=why, frequency_hz=line.frequency_hz
        )
    parts = _parts(line, conditions, ratio=per_db is None, per_db=1.0 if per_db is None else per_db)
    budget = parts.budget(quantity, unit, value)
    return Finding(
        quantity=quantity,
        value=value,
        unit=unit,
        limits=limits,
        budget=budget,
        note=note,
        frequency_hz=line.frequency_hz,
        bound=bound,
    )


def _bound(line: Line, unit: str) -> Bound:
    """Return whether a line's power, or how far it lies below the carrier (dB), is a bound only."""
    if not line.at_most:
        return ""
    return "at least" if unit == "dB" else "at most"


def _parts(line: Line, conditions: Conditions, *, ratio: bool, per_db: float) -> Parts:
    bench, parts = conditions.bench, Parts(conditions.bench)
    notch = bench.paths.notch
    by_meter = ratio and notch is not None  # the carrier of the ratio is the power meter's then
    for what, key in (
        ("level", "level"),
        ("frequency response", "response"),
        ("scale", "scale"),
        ("attenuator", "attenuator"),
    ):
        half = HalfWidth.of(bench, "spectrum_analyser", key)
        if by_meter and key == "level":
            parts.accuracy(
                "power meter, accuracy",
                HalfWidth.of(bench, "power_meter", "power"),
                unit="%",
                coefficient=per_db * DB_PER_RELATIVE_POWER / 100.0,
            )
        elif ratio and key == "level":
            continue  # it is the same for the carrier
        if ratio and not by_meter and key == "response":
            half = two_readings(half)
        parts.accuracy(f"analyser, {what}", half, unit="dB", coefficient=per_db)
    parts.loss("transmit path, loss", "transmit", line.frequency_hz, coefficient=per_db)
    if notch is not None:
        parts.loss("filter before the analyser, loss", "notch", line.frequency_hz, coefficient=per_db)
    parts.mismatches(spectrum_pairs(bench, line.frequency_hz), coefficient=per_db)
    if not ratio:
        parts.connection(TRANSMIT_PATH, coefficient=per_db)
    if line.step_db > 0.0:
        parts.add(resolution("digits read", 2.0 * line.step_db, unit="dB", coefficient=per_db))
    if line.noise_db > 0.0:
        parts.add(Contribution.normal("own noise taken off", line.noise_db, unit="dB", coefficient=per_db))
    if len(line.levels_dbm) > 1:
        parts.add(repeatability("repeatability", line.levels_dbm, unit="dB", coefficient=per_db))
    return parts
