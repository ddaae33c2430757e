"""What a ratio of two signals rests on: both levels, matches, one path or two losses of it, SINAD by the slope that was measured."""

from collections.abc import Callable

from drivers.roles import Reading
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.budgets.level_budget import ReadError, reading_step
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, find_entry
from sequencer.checks.shared.level_search.sensitivity_reader import SensitivityReader
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.two_signal.search import Usual
from sequencer.checks.shared.two_signal.settings import SecondSignalSettings, is_alike, offset_name
from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER
from sequencer.inputs.stated import own_pairs, unlike_pairs
from sequencer.search.protocol import Crossing
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import scatter, search_interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the interferer is measured at: what its ratio is called, and how far from the channel, Hz."""

    quantity: str
    offset_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Interference:
    """How the interferer spoils the wanted signal: what is said of the criterion, and by how much SINAD may fall.

    ``fall_db`` None: until SINAD is back at the target. ``apply`` switches the interferer on at a level and an offset, Hz.
    ``errors`` are what the interferer's own frequency and modulation may put the ratio off by, dB. ``places`` are where it is measured
    at, ``usual`` is how far above the wanted signal the interferer usually stands there. ``look`` is given the level found at a place and
    the offset, and returns what else is to be said of it, and whether the receiver itself shows that the interferer stands there.
    ``aside_hz`` is added to the first place's offset where the second generator is proved to leave the channel: where the receiver may
    respond at the place itself.
    """

    places: tuple[Place, ...]
    apply: Callable[[float, float], None]
    usual: Usual
    fall_db: float | None = None
    errors: tuple[ReadError, ...] = ()
    look: Callable[[SensitivityReader, float, float, float], tuple[str, bool]] | None = None
    aside_hz: float = 0.0

    @property
    def beside_hz(self) -> float:
        """Return how far from the channel the second generator is proved to leave that, Hz."""
        return self.places[0].offset_hz + self.aside_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedLevel:
    """The wanted signal as it was found or stated: its level, its reader, and the sensitivity where that was found."""

    level_dbm: float
    reader: SensitivityReader
    crossing: Crossing | None
    note: str


def places_of(quantity: str, settings: SecondSignalSettings) -> tuple[Place, ...]:
    """Return the places that the settings name by their offsets."""
    return tuple(
        Place(quantity=offset_name(quantity, offset_hz), offset_hz=offset_hz)
        for offset_hz in settings.places_hz
    )


def loss_apart_db(conditions: Conditions, offset_hz: float) -> float:
    """Return by how much less the receive path loses at the interferer's frequency than on the channel, by which its level is set, dB."""
    path = conditions.bench.paths.receive
    if path is None or is_alike(conditions, offset_hz):
        return 0.0
    return path.loss_db(conditions.carrier_hz) - path.loss_db(conditions.carrier_hz + offset_hz)


def ratio_parts(
    crossing: Crossing,
    settings: SecondSignalSettings,
    conditions: Conditions,
    interference: Interference,
    *,
    wanted: WantedLevel,
    alone: list[Reading],
    offset_hz: float,
) -> Parts:
    """Return the ratio's parts, dB.

    A wanted signal of r times the power that sensitivity needs leaves room for r - 1 times the noise: an error of the sensitivity
    found reaches the ratio by 1/(r - 1), once at 3 dB. The analyser's error is common to both searches there and cancels, and so does
    that of the wanted signal's modulation.
    """
    bench, parts = conditions.bench, Parts(conditions.bench)
    parts.add(search_interval("interferer's search, 95 % interval", crossing.half_width_db, unit="dB"))
    parts.add(*reading_step(crossing))
    signs = {"signal_generator": -1.0, INTERFERER: 1.0}
    for role, sign in signs.items():
        if (named := find_entry(bench, role)) is None:
            continue
        half_width = HalfWidth.of(bench, role, "level")
        parts.accuracy(f"{named[0]}, level accuracy", half_width, unit="dB", coefficient=sign)
        parts.mismatches(own_pairs(bench, named, conditions.carrier_hz), coefficient=sign)
    _add_path(parts, conditions, offset_hz)
    for source, half_width, unit in interference.errors:
        parts.accuracy(source, half_width, unit=unit)
    if interference.fall_db is not None:
        parts.add(*_alone(alone, crossing))
        return parts
    if wanted.crossing is not None:
        room = 10.0 ** (settings.wanted_above_db / 10.0) - 1.0
        name = "sensitivity's search, 95 % interval"
        parts.add(search_interval(name, wanted.crossing.half_width_db, unit="dB", coefficient=1.0 / room))
    elif crossing.slope:
        for source, half_width, unit in wanted.reader.read_errors:
            parts.accuracy(source, half_width, unit=unit, coefficient=1.0 / abs(crossing.slope))
    return parts


def _add_path(parts: Parts, conditions: Conditions, offset_hz: float) -> None:
    """Take the path: beside the channel its loss is the same error in both levels, with opposite signs, and so cancels; far away two."""
    if is_alike(conditions, offset_hz):
        parts.loss("receive path, loss, common to both", "receive", conditions.frequency_hz, coefficient=0.0)
        return
    at_hz = conditions.carrier_hz + offset_hz
    parts.loss("receive path, loss at the wanted signal", "receive", conditions.carrier_hz, coefficient=-1.0)
    parts.loss("receive path, loss at the interferer", "receive", at_hz)
    parts.mismatches(unlike_pairs(conditions.bench))


def _alone(readings: list[Reading], crossing: Crossing) -> tuple[Contribution, ...]:
    """Return what the SINAD that the fall counts from may be off by, dB of ratio: its scatter or its step, by the slope measured."""
    if not crossing.slope:
        return ()
    found = [one.number for one in readings if one.number is not None]
    name, by_slope = "wanted signal alone, repeatability", 1.0 / abs(crossing.slope)
    return (scatter(name, found, step=step_seen(readings), unit="dB", coefficient=by_slope),)
