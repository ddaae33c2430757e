"""Spurious responses: where a superheterodyne may hear a signal that is not on its channel, and how strong that has to be.

It is quick because it knows where to look: image, half of the intermediate frequency, the intermediate frequency itself, the second
image, and where harmonics of signal and oscillator differ by the intermediate frequency, all worked out of the frequencies that the
sequence or the model file states. Any handbook of the superheterodyne has the arithmetic; from memory.

70 dB are customary for land-mobile receivers, from memory of EN 300 086 and TIA-603. A response that follows from none of the stated
frequencies is not looked for: a sweep takes hours.
"""

import itertools
from collections.abc import Iterator, Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import beside_another
from sequencer.checks.shared import commands
from sequencer.checks.shared.level_search.sensitivity_reader import REPEAT_S, SWITCH_S, SensitivityReader
from sequencer.checks.shared.two_signal.budget import Interference, Place
from sequencer.checks.shared.two_signal.ratios import find_ratios
from sequencer.checks.shared.two_signal.search import RESPONSE
from sequencer.checks.shared.two_signal.settings import SecondSignalSettings
from sequencer.files.fields import between
from sequencer.inputs.model import IntermediateFrequencies, OscillatorSide
from sequencer.inputs.stated import FAR_PATH
from sequencer.safety.receive import ReceiveSide

NEAREST_HZ = 30e3  # nearer to the channel the skirt of its filter is measured, which selectivity does
LOWEST_HZ = 100e3  # below it few generators go
ASIDE_HZ = 150e3  # beside a response, and beyond the channel filter's width as the mixer's harmonics divide it: workshop's own
SAME_WITHIN_DB = 2.0  # of SINAD: common practice, no source
QUANTITY = "spurious response"


class SpuriousResponseSettings(SecondSignalSettings):
    """Settings of `spurious_response`. Frequencies of the receiver come from the model file's `receiver`, where the sequence has none."""

    check: Literal["spurious_response"]
    """Which check this is."""
    intermediate_frequencies_hz: IntermediateFrequencies
    """The receiver's intermediate frequencies, the first one first."""
    oscillators: OscillatorSide
    """On which side the oscillators stand: the first of the channel, the second of the first intermediate frequency."""
    orders: Annotated[int, AfterValidator(between(1, 5, ""))] = 2
    """Up to which harmonics of signal and first oscillator responses are looked for."""

    @property
    def names(self) -> tuple[str, ...]:
        """What the responses are called, in the order they are measured in."""
        return tuple(name for name, _ in self._responses(1.0))

    def places(self, carrier_hz: float) -> tuple[Place, ...]:
        """Return where each response lies for a channel."""
        return tuple(
            Place(quantity=f"{QUANTITY}, {name}", offset_hz=at_hz - carrier_hz)
            for name, at_hz in self._responses(carrier_hz)
        )

    def _responses(self, carrier_hz: float) -> Iterator[tuple[str, float]]:
        """Give name and frequency, Hz, of each response."""
        first_hz = self.intermediate_frequencies_hz[0]
        side = _sign(self.oscillators[0])
        oscillator_hz = carrier_hz + side * first_hz
        yield "image", oscillator_hz + side * first_hz
        yield "half of the IF", oscillator_hz - side * first_hz / 2.0
        yield "IF", first_hz
        if len(self.intermediate_frequencies_hz) > 1:
            second_hz = self.intermediate_frequencies_hz[1]
            second_oscillator_hz = first_hz + _sign(self.oscillators[-1]) * second_hz
            for name, in_first_hz in (
                ("second image", second_oscillator_hz + _sign(self.oscillators[-1]) * second_hz),
                ("half of the second IF", (first_hz + second_oscillator_hz) / 2.0),
            ):
                yield name, oscillator_hz - side * in_first_hz
        for signal, oscillator in itertools.product(range(1, self.orders + 1), repeat=2):
            for sign in (1.0, -1.0):
                named = oscillator == signal and (signal == 1 or (signal == 2 and sign == -side))
                if not named:
                    mixed_hz = (oscillator * oscillator_hz + sign * first_hz) / signal
                    yield _mixed(signal, oscillator, sign), mixed_hz


class SpuriousResponse(Check[SpuriousResponseSettings]):
    """Raise a carrier at each frequency where the receiver may respond until SINAD of the wanted signal has fallen back to its target."""

    name: ClassVar[str] = "spurious_response"
    summary: ClassVar[str] = (
        "ratio of a carrier at image, half of the IF and the like to the wanted signal that spoils reception"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    generators: ClassVar[int] = 2
    depends_on: ClassVar[DependsOn] = frozenset()
    settings = SpuriousResponseSettings

    @override
    def quantities(self, settings: SpuriousResponseSettings) -> tuple[tuple[str, str], ...]:
        return tuple((f"{QUANTITY}, {name}", "dB") for name in settings.names)

    def needs(self, settings: SpuriousResponseSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (*settings.two_signal_needs(conditions), FAR_PATH)

    def demands(self, settings: SpuriousResponseSettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove; a frequency that no generator makes is refused."""
        demands = settings.two_signal_demands(conditions)
        for place in settings.places(conditions.carrier_hz):
            at_hz = conditions.carrier_hz + place.offset_hz
            if at_hz < LOWEST_HZ or abs(place.offset_hz) < NEAREST_HZ:
                refused = f"{place.quantity} of {conditions.carrier_hz:.0f} Hz would lie at {at_hz:.0f} Hz"
                allowed = f"responses {NEAREST_HZ:.0f} Hz or more from the channel, above {LOWEST_HZ:.0f} Hz"
                demands.append(Demand(at=("intermediate_frequencies",), refused=refused, allowed=allowed))
        return demands

    def commands(self, settings: SpuriousResponseSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.sensitivity(settings, conditions.mode)

    def readings(self, settings: SpuriousResponseSettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand."""
        places = len(settings.names)
        return places + beside_another(places, wanted_is_stated=settings.wanted_dbm is not None)

    @override
    def waits_of(self, settings: SpuriousResponseSettings, conditions: Conditions) -> Mapping[str, float]:
        return settings.two_signal_waits(9.0, len(settings.names))

    @override
    def forecast_s(self, settings: SpuriousResponseSettings, conditions: Conditions) -> float:
        offsets_hz = [place.offset_hz for place in settings.places(conditions.carrier_hz)]
        looks_s = len(offsets_hz) * (3.0 * SWITCH_S + REPEAT_S)
        return settings.two_signal_forecast_s(conditions, offsets_hz) + looks_s

    @override
    def receive(
        self, side: ReceiveSide, settings: SpuriousResponseSettings, conditions: Conditions
    ) -> list[Finding]:

        def apply(level_dbm: float, offset_hz: float) -> None:
            side.apply_interferer(level_dbm, offset_hz=offset_hz)

        def look(
            reader: SensitivityReader, level_dbm: float, offset_hz: float, target_db: float
        ) -> tuple[str, bool]:
            """Say whether the receiver is spoiled as much beside the response: then it is blocked, and hears nothing there."""
            apply(level_dbm, offset_hz + ASIDE_HZ)
            side.wait_s(3.0 * SWITCH_S)
            aside = reader.read(REPEAT_S).number
            where_hz = conditions.carrier_hz + offset_hz
            at = f"at {where_hz / 1e6:.6g} MHz"
            if aside is not None and aside < target_db + SAME_WITHIN_DB:
                blocked = "the receiver is blocked, and responds no more than that"
                return f"{at}, and as much {ASIDE_HZ / 1e3:g} kHz beside it: {blocked}", False
            shown = "" if aside is None else f" ({aside:.1f} dB SINAD {ASIDE_HZ / 1e3:g} kHz beside it)"
            return f"{at}, a response{shown}", True

        places = settings.places(conditions.carrier_hz)
        interference = Interference(places=places, apply=apply, usual=RESPONSE, look=look, aside_hz=ASIDE_HZ)
        return find_ratios(side, settings, conditions, interference)


def _sign(side: str) -> float:
    return 1.0 if side == "high" else -1.0


def _mixed(signal: int, oscillator: int, sign: float) -> str:
    """Return what a response of harmonics is called: `2 f - 1 LO = IF`."""
    return f"{signal} f - {oscillator} LO = {'+' if sign > 0 else '-'}IF"
