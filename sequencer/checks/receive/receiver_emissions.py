"""Receiver emissions: what a receiver lets out at its antenna connector while nobody transmits, its oscillators before all else.

Where these stand follows from the receiver's frequencies, which the sequence or the model file states: there it is looked at first, with
narrow filters, then range by range of a mask with its reference bandwidth. PTT is never pressed. The unit stands on the load and the
analyser, the generators are off and read back; what does not go with the unit's supply is not its own. No carrier shows here that the
analyser hears all that there is: a check before it that held one against the power meter does, and where they disagreed nothing is read.
2 nW up to 1 GHz and 20 nW above are customary (from memory of EN 300 433; seen in a rule text for analogue stations).
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import by_hand
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.spectrum import spectral_lines as lines
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.driven_spectrum import Filter
from sequencer.checks.shared.spectrum.line_findings import line_findings
from sequencer.checks.shared.spectrum.mask import LOOKED_AT, Mask, MaskRow, decisive, highest_places, parts_of
from sequencer.checks.shared.spectrum.released_lines import Place, ReleasedLines, Told
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.files.fields import PowerW, between
from sequencer.inputs.model import IntermediateFrequencies, OscillatorSide
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits

QUANTITY = "receiver emission"
UNFED_S = 1.5  # supply off, discharged, and on again: measured on the simulated bench
PLACE_S = 0.3  # a place looked at with three filters, and slowly, fed and unfed: measured there
UNSEEN = (
    "nothing that goes with the unit's supply was seen in this check, so that nothing shows that the analyser sees the unit: look at its "
    "cable and at its oscillators with an analyser of less noise"
)
TRANSMITS = (
    "but PTT reads released: a unit that transmits by itself does that, or a transmitter near it. "
    "Switch its supply off before anything else"
)


class ReceiverEmissionsSettings(CheckSettings):
    """Settings of `receiver_emissions`. Frequencies of the receiver come from the model file's `receiver`, where the sequence has none."""

    check: Literal["receiver_emissions"]
    """Which check this is."""
    intermediate_frequencies_hz: IntermediateFrequencies
    """The receiver's intermediate frequencies, the first one first."""
    oscillators: OscillatorSide
    """On which side the oscillators stand: the first of the channel, the second of the first intermediate frequency."""
    resolution_bandwidth_hz: Filter = 100e3
    """The reference bandwidth at the oscillators."""
    oscillators_max_w: Annotated[PowerW, AfterValidator(between(1e-15, 1e3, "W"))] = 2e-9
    """The most power of each oscillator: 2 nW, the limit below 1 GHz (from memory)."""
    mask: Mask
    """The ranges that are looked at, rising, each beginning where the one before ends."""

    def oscillators_hz(self, carrier_hz: float) -> tuple[tuple[str, float], ...]:
        """Return what each oscillator is called, and where it stands for a channel."""
        first_hz = self.intermediate_frequencies_hz[0]
        oscillator_hz = abs(carrier_hz + _sign(self.oscillators[0]) * first_hz)
        found = [("first oscillator", oscillator_hz), ("first oscillator's harmonic", 2.0 * oscillator_hz)]
        if len(self.intermediate_frequencies_hz) > 1:
            second_hz = first_hz + _sign(self.oscillators[-1]) * self.intermediate_frequencies_hz[1]
            found.append(("second oscillator", second_hz))
        return tuple(found)


class ReceiverEmissions(Check[ReceiverEmissionsSettings]):
    """Look at the unkeyed unit where its oscillators stand and range by range, then at the same places with its supply off."""

    name: ClassVar[str] = "receiver_emissions"
    summary: ClassVar[str] = (
        "power of the oscillators, and of the highest line of each range, that the unit lets out while it receives"
    )
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"spectrum_analyser", "supply"})
    depends_on: ClassVar[DependsOn] = None
    limit_keys = MappingProxyType({QUANTITY: "mask"})
    settings = ReceiverEmissionsSettings

    @override
    def quantities(self, settings: ReceiverEmissionsSettings) -> tuple[tuple[str, str], ...]:
        names = (name for name, _ in settings.oscillators_hz(1e9))
        return tuple((f"{QUANTITY}, {one}", "W") for one in (*names, *(row.text for row in settings.mask)))

    @override
    def limits_of(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> tuple[Limits, ...]:
        oscillators = (settings.oscillators_max_w for _ in settings.oscillators_hz(1e9))
        return tuple(
            Limits(lower=None, upper=max_w) for max_w in (*oscillators, *(row.max_w for row in settings.mask))
        )

    def needs(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return lines.NEEDS

    def demands(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> list[Demand]:
        """Return what the bench cannot do: a filter its analyser has not, a range beyond it or beyond the loss table, a person's eye."""
        found = []
        if by_hand(conditions, looks.ROLE):
            refused = (
                "lines far below a person's markers are told from noise by traces, which nobody reads by eye"
            )
            found.append(Demand(refused=refused, allowed="a spectrum analyser that answers itself"))
        if conditions.supply_v is None:
            refused = "what goes with the unit's supply is the unit's, and nobody states what it is fed with"
            found.append(Demand(refused=refused, allowed="'supply' in the sequence"))
        for row in settings.mask:
            found += _refused(("mask",), looks.filter_refusal(conditions, row.resolution_bandwidth_hz))
            found += _refused(("mask",), looks.span_refusal(conditions, row.from_hz, row.to_hz))
        filter_hz = settings.resolution_bandwidth_hz
        found += _refused(("resolution_bandwidth",), looks.filter_refusal(conditions, filter_hz))
        if conditions.frequency_hz is not None:
            for _, at_hz in settings.oscillators_hz(conditions.frequency_hz):
                beyond = looks.span_refusal(conditions, at_hz - filter_hz, at_hz + filter_hz)
                found += _refused(("intermediate_frequencies",), beyond)
        return found

    def commands(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.of(looks.ROLE, *looks.COMMANDS)

    @override
    def waits_of(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> Mapping[str, float]:
        return {looks.ROLE: 6.0 * self._places(settings), "supply": 2.0}

    def _places(self, settings: ReceiverEmissionsSettings) -> float:
        return len(settings.oscillators_hz(1e9)) + LOOKED_AT * float(len(settings.mask))

    def forecast_s(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: each range with its filter, each place by itself, and the supply off and on."""
        swept_s = sum(
            looks.sweep_s(conditions, row.to_hz - row.from_hz, row.resolution_bandwidth_hz)
            for row in settings.mask
        )
        return UNFED_S + swept_s + PLACE_S * self._places(settings)

    @override
    def keyed_s(self, settings: ReceiverEmissionsSettings, conditions: Conditions) -> float:
        return 0.0

    @override
    def transmit(
        self, side: TransmitSide, settings: ReceiverEmissionsSettings, conditions: Conditions
    ) -> list[Finding]:
        limits = self.limits_of(settings, conditions)
        names = [quantity for quantity, _ in self.quantities(settings)]
        try:
            unheld = looks.unheld(side)
            looked = _look(side, settings, conditions)
        except Untrusted as error:
            side.rest()
            why = f"{error.why}; {TRANSMITS}" if error.is_over_range else error.why
            return [
                Finding(quantity=name, value=None, unit="W", limits=one, note=why)
                for name, one in zip(names, limits, strict=True)
            ]
        seen = any(one.goes for told, _ in looked for one in told)
        return [
            _finding(name, told, trace, one, conditions, seen=seen, unheld=unheld)
            for name, (told, trace), one in zip(names, looked, limits, strict=True)
        ]


Looked = tuple[list[Told], list[tuple[float, float]]]


def _look(side: TransmitSide, settings: ReceiverEmissionsSettings, conditions: Conditions) -> list[Looked]:
    """Return what each oscillator and each range comes to, with its trace."""
    looking = ReleasedLines(side, conditions)
    fed: list[tuple[list[Place], list[tuple[float, float]]]] = []
    filter_hz = settings.resolution_bandwidth_hz
    for _, at_hz in settings.oscillators_hz(side.frequency_hz):
        fed.append(([looking.look(at_hz, filter_hz, (at_hz - filter_hz, at_hz + filter_hz), known=True)], []))
    for row in settings.mask:
        trace: list[tuple[float, float]] = []
        fed.append(([*_places_of(looking, row, trace)], trace))
    with side.unfed():
        told = [([looking.tell_unfed(one) for one in places], trace) for places, trace in fed]
    if conditions.channel is not None:
        side.select(conditions.channel, side.frequency_hz)  # a radio may forget it without supply
    return told


def _places_of(looking: ReleasedLines, row: MaskRow, trace: list[tuple[float, float]]) -> Iterator[Place]:
    """Yield the highest places of a range, each looked at by itself."""
    places = [
        (*place, part)
        for part in parts_of(row, 0.0, 0.0)
        for place in highest_places(looking.read, looking.how, part, row, looking.loss_db, trace)
    ]
    for _, at_hz, part in sorted(places, reverse=True)[:LOOKED_AT]:
        yield looking.look(at_hz, row.resolution_bandwidth_hz, part)


def _finding(
    quantity: str,
    told: list[Told],
    trace: list[tuple[float, float]],
    limits: Limits,
    conditions: Conditions,
    *,
    seen: bool,
    unheld: str,
) -> Finding:
    """Return what a place or a range comes to; a bound decides nothing where nothing of the unit was ``seen``.

    ``unheld`` is what its note says of an analyser whose carrier nobody held against the power meter.
    """
    line = decisive([one.line for one in told], limits)
    conditions.say(f"{quantity}: {line.level_dbm:.1f} dBm{' at most' if line.at_most else ''}")
    note = "; ".join(filter(None, (f"at {line.frequency_hz / 1e6:.4f} MHz, PTT released", unheld)))
    (found,) = line_findings(quantity, line, None, conditions, limits=limits, note=note)
    found = replace(found, points=looks.trace_points(trace))
    if line.at_most and not seen:
        return replace(found, value=None, budget=None, bound="", note=f"{found.note}; {UNSEEN}")
    return found


def _refused(at: tuple[str, ...], refusal: tuple[str, str] | None) -> list[Demand]:
    return [] if refusal is None else [Demand(at=at, refused=refusal[0], allowed=refusal[1])]


def _sign(side: str) -> float:
    return 1.0 if side == "high" else -1.0
