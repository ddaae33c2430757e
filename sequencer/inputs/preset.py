"""A preset: what can be adjusted on a model of radio, by which check it is read, and where it belongs.

A preset is turned by a person or written by the tool. `of` names the check that reads it; beside it stand the settings that this
check is then made with.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import (
    PRINTABLE,
    FileModel,
    FrequencyDifferenceHz,
    FrequencyHz,
    LevelDbm,
    Percent,
    RatioDb,
    ResistanceOhm,
    VoltageV,
    between,
)
from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem, FieldProblems, did_you_mean, listed
from sequencer.units.parse import (
    CURRENT,
    FREQUENCY_DIFFERENCE,
    LEVEL,
    PERCENT,
    POWER,
    RATIO,
    Dimension,
    QuantityError,
    parse_quantity,
)

Best = Literal["maximum", "minimum"]
"""What a preset is peaked, or nulled, to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustable:
    """What a preset of one check aims at: a quantity of ``dimension``, within so much of ``tolerance``; or one of ``best``.

    ``quantities`` are the words that choose among several figures of the check, the usual one first; empty where there is one.
    """

    dimension: Dimension
    tolerance: Dimension
    best: tuple[Best, ...] = ()
    quantities: tuple[str, ...] = ()


ADJUSTABLE: Mapping[str, Adjustable] = MappingProxyType(
    {
        "carrier_power": Adjustable(dimension=POWER, tolerance=POWER, best=("maximum",)),
        "frequency_error": Adjustable(dimension=FREQUENCY_DIFFERENCE, tolerance=FREQUENCY_DIFFERENCE),
        "peak_deviation": Adjustable(dimension=FREQUENCY_DIFFERENCE, tolerance=FREQUENCY_DIFFERENCE),
        "modulation_depth": Adjustable(dimension=PERCENT, tolerance=PERCENT),
        "ssb_suppression": Adjustable(
            dimension=RATIO, tolerance=RATIO, best=("maximum",), quantities=("carrier", "sideband")
        ),
        "supply_current": Adjustable(
            dimension=CURRENT, tolerance=CURRENT, best=("minimum",), quantities=("transmit", "receive")
        ),
        "s9_point": Adjustable(dimension=LEVEL, tolerance=RATIO),
        "squelch": Adjustable(dimension=LEVEL, tolerance=RATIO),
        "sinad": Adjustable(dimension=RATIO, tolerance=RATIO, best=("maximum",)),
        "signal_to_noise": Adjustable(dimension=RATIO, tolerance=RATIO, best=("maximum",)),
        "receive_distortion": Adjustable(dimension=PERCENT, tolerance=PERCENT, best=("minimum",)),
        "audio_output": Adjustable(
            dimension=POWER, tolerance=POWER, best=("maximum",), quantities=("power", "distortion")
        ),
    }
)
"""What a preset may be of: checks whose figure a trimmer or a stored setting of the radio moves, and that can be read while it moves."""
UNREADABLE: Mapping[str, str] = MappingProxyType(
    {
        "sensitivity": "each figure is a search of many readings; peak 'sinad' or 'signal_to_noise' at a fixed level in its place",
        "selectivity": "each figure is a search of many readings",
        "blocking": "each figure is a search of many readings",
        "co_channel_rejection": "each figure is a search of many readings",
        "intermodulation": "each figure is a search of many readings",
        "power_over_time": "each figure takes seconds of one key-down",
        "transient": "each figure is of recordings over PTT and its release",
        "time_to_power": "each figure is a recording over a press of PTT",
        "spurious_response": "each figure is a search of many readings",
        "microphone_sensitivity": "each figure is a search of many readings; adjust 'peak_deviation' in its place",
        "residual_modulation": "each figure is worked out from a recording",
        "transmit_distortion": "each figure is worked out from a recording",
    }
)
"""Checks that a set is adjusted by on a bench all the same, and why a preset cannot be of them."""
_OF_DISTORTION = Adjustable(dimension=PERCENT, tolerance=PERCENT, best=("minimum",))


def _named(pattern: str, allowed: str) -> AfterValidator:
    """Return the check of a name, which says in words what it may be made of."""
    compiled = re.compile(pattern, re.ASCII)

    def hold(name: str) -> str:
        if compiled.fullmatch(name) is None:
            raise FieldProblem(f"'{name[:60]}' is no name", found=name[:60], allowed=allowed)
        return name

    return AfterValidator(hold)


PresetName = Annotated[
    str, _named(r"[a-z][a-z0-9_]{0,29}", "1 to 30 small letters, digits and _, a letter first, such as power")
]
"""What a preset is called: small letters, digits and _, as check names are."""
_Text = Annotated[str, Field(min_length=1, max_length=200, pattern=PRINTABLE)]
_SettingName = Annotated[
    str,
    _named(
        r"[A-Za-z][A-Za-z0-9_.-]{0,39}", "1 to 40 letters, digits, _ . -, a letter first, such as tx_bias"
    ),
]
_Whole = Annotated[int, AfterValidator(between(-32768, 65535, ""))]
_AIM = ("of", "quantity", "turn", "write", "range", "to", "within")


def adjustable(of: str, quantity: str | None = None) -> "Adjustable | None":
    """Return what a preset of the check ``of`` aims at, for that ``quantity`` of it; None for a check that nothing adjusts."""
    return _OF_DISTORTION if (of, quantity) == ("audio_output", "distortion") else ADJUSTABLE.get(of)


class PresetAim(FileModel):
    """Which check reads the preset, how it is moved, and where it belongs; a sequence's `adjust` may state the same by itself."""

    of: str = Field(min_length=1, max_length=60)
    """The check that reads it, as found, while it is adjusted and as left."""
    quantity: str | None = None
    """Which figure of that check, where it has several: carrier or sideband, transmit or receive, power or distortion."""
    turn: _Text | None = None
    """What a person turns: where it sits and which way raises the figure, as the service notes say."""
    write: _SettingName | None = None
    """The radio's setting that the tool writes by itself, by the name the radio knows it under."""
    range: tuple[_Whole, _Whole] | None = None
    """For `write`: the lowest and the highest whole number that the setting takes."""
    to: str = Field(min_length=1, max_length=60)
    """Where it belongs: a quantity (`3.8 W`), or `maximum` or `minimum` where the best is looked for."""
    within: str | None = Field(default=None, max_length=60)
    """How far from `to` is still right; for a maximum or minimum, how far from the best that was seen."""

    @model_validator(mode="after")
    def _can_be_adjusted(self) -> "PresetAim":
        if problems := preset_problems(self):
            raise FieldProblems(problems)
        return self

    @property
    def aims_at(self) -> "Adjustable":
        """What it aims at: dimensions and what else is allowed."""
        found = adjustable(self.of, self.quantity)
        assert found is not None  # refused while the file was read
        return found

    @property
    def figure(self) -> str:
        """Which of the check's figures is meant, in the word of `quantity`; empty where it has one only."""
        return self.quantity or next(iter(self.aims_at.quantities), "")

    @property
    def best(self) -> Best | None:
        """``maximum`` or ``minimum`` where the best is looked for; None where a target is stated."""
        return self.to if self.to in ("maximum", "minimum") else None  # type: ignore[return-value]

    @property
    def target(self) -> float | None:
        """The target, in `unit`; None where the best is looked for."""
        return None if self.best is not None else parse_quantity(self.to, self.aims_at.dimension)

    @property
    def tolerance(self) -> float | None:
        """How far from target or best is still right, in `tolerance_unit`; None where nothing is stated."""
        return None if self.within is None else parse_quantity(self.within, self.aims_at.tolerance)

    @property
    def band(self) -> tuple[float, float] | None:
        """The lowest and highest figure that is right, in `unit`; None where the best is looked for."""
        target, tolerance = self.target, self.tolerance
        return None if target is None or tolerance is None else (target - tolerance, target + tolerance)

    @property
    def unit(self) -> str:
        """The unit of the target."""
        return self.aims_at.dimension.unit

    @property
    def tolerance_unit(self) -> str:
        """The unit of the tolerance: dB for a level."""
        return self.aims_at.tolerance.unit


class Preset(PresetAim):
    """A preset of a model. What stands beside `of` are settings of that check; one that it does not have is refused where it is used."""

    channel: Annotated[int, AfterValidator(between(1, 9999, ""))] | None = None
    """The channel it is adjusted on."""
    mode: Literal["FM", "AM", "USB", "LSB", "CW"] | None = None
    """The emission it is adjusted in, where it is not the sequence's."""
    drive_v: Annotated[VoltageV, AfterValidator(between(1e-6, 10.0, "V"))] | None = None
    """Level at the microphone input, V rms, for a check that drives the unit; without it the model's normal drive."""
    above_db: Annotated[RatioDb, AfterValidator(between(0.0, 60.0, "dB"))] | None = None
    """How far above `drive` the unit is driven."""
    tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] | None = None
    """Tone at the microphone input, or of the generator's modulation."""
    level_dbm: LevelDbm | None = None
    """Level at the antenna connector, for a check at a fixed level."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] | None = None
    """Peak deviation of the generator, or that of normal test modulation."""
    depth_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] | None = None
    """AM: depth of the generator, or that of normal test modulation."""
    ratio: Literal["quieting", "(S+N)/N"] | None = None
    """Of `signal_to_noise`: which ratio is read."""
    target_v: Annotated[VoltageV, AfterValidator(between(-100.0, 100.0, "V"))] | None = None
    """Of `s9_point`: voltage on the meter line at S9; without it the model's."""
    meter: Literal["needle", "segments"] | None = None
    """Of `s9_point`: whether the meter is a bar of segments; without it as the model says."""
    load_ohm: Annotated[ResistanceOhm, AfterValidator(between(0.5, 10_000.0, "ohm"))] | None = None
    """Of `audio_output`: the load on the loudspeaker line."""

    @property
    def settings(self) -> dict[str, Any]:
        """What it states of the check's own settings, by field name (`channel`, `drive_v`, `level_dbm`), and nothing else."""
        return {name: getattr(self, name) for name in _SETTINGS if getattr(self, name) is not None}


_SETTINGS = tuple(name for name in Preset.model_fields if name not in _AIM)


def preset_problems(aim: PresetAim) -> list[FieldProblem]:
    """Return what is wrong with a preset, as far as it can be told without its model and bench."""
    return [*_aim_problems(aim), *_way_problems(aim)]


def _aim_problems(aim: PresetAim) -> list[FieldProblem]:
    """Return what is wrong with the check that a preset is of, and with where it is to be brought."""
    if aim.of not in ADJUSTABLE:
        why = (
            f", for it cannot be read while a preset is moved: {UNREADABLE[aim.of]}"
            if aim.of in UNREADABLE
            else ""
        )
        return [
            FieldProblem(
                f"no preset can be of '{aim.of}'{why}",
                at=("of",),
                found=aim.of,
                allowed=listed(ADJUSTABLE),
                hint=did_you_mean(aim.of, ADJUSTABLE),
            )
        ]
    named = ADJUSTABLE[aim.of].quantities
    if aim.quantity is not None and aim.quantity not in named:
        return [
            FieldProblem(
                f"{aim.of} has no figure '{aim.quantity}'" if named else f"{aim.of} has one figure only",
                at=("quantity",),
                found=aim.quantity,
                allowed=listed(named) or "no 'quantity'",
                hint=did_you_mean(aim.quantity, named),
            )
        ]
    return [*_target_problems(aim), *_tolerance_problems(aim)]


def _way_problems(aim: PresetAim) -> list[FieldProblem]:
    """Return what is wrong with how a preset is moved: turned by a person or written by the tool, one of the two."""
    if (aim.turn is None) == (aim.write is None):
        found = "neither" if aim.turn is None else "both"
        return [
            FieldProblem(
                "a preset is either turned by a person or written by the tool",
                at=() if aim.turn is None else ("write",),
                found=found,
                allowed="'turn' (what a person turns) or 'write' (a setting of the radio, with its 'range')",
            )
        ]
    if aim.write is not None and aim.range is None:
        return [
            FieldProblem(
                "'write' needs 'range' beside it",
                at=("write",),
                allowed="the lowest and highest whole number that the setting takes, such as [0, 255]",
            )
        ]
    if aim.turn is not None and aim.range is not None:
        return [
            FieldProblem("'range' is for 'write' only", at=("range",), allowed="no 'range' beside 'turn'")
        ]
    if aim.range is not None and aim.range[0] >= aim.range[1]:
        return [
            FieldProblem(
                f"nothing lies between {aim.range[0]} and {aim.range[1]}",
                at=("range",),
                allowed="the lower number first, such as [0, 255]",
            )
        ]
    return []


def _target_problems(aim: PresetAim) -> list[FieldProblem]:
    known = aim.aims_at
    if aim.best is not None:
        if aim.best in known.best:
            return []
        instead = f"'{known.best[0]}', or " if known.best else ""
        return [
            FieldProblem(
                f"a preset of {aim.of} is not brought to a {aim.best}",
                at=("to",),
                allowed=f"{instead}{known.dimension.allowed}",
            )
        ]
    best = "".join(f", or '{one}'" for one in known.best)
    return _quantity_problems(aim.to, known.dimension, "to", known.dimension.allowed + best)


def _tolerance_problems(aim: PresetAim) -> list[FieldProblem]:
    known = aim.aims_at
    allowed = f"{known.tolerance.name} above 0 in {', '.join(known.tolerance.units)}"
    if aim.within is None:
        if aim.best is not None:
            return []
        return [FieldProblem(f"'to: {aim.to}' needs 'within' beside it", at=("to",), allowed=allowed)]
    if problems := _quantity_problems(aim.within, known.tolerance, "within", allowed):
        return problems
    if "dBm" in aim.within:  # a power's function of dBm is no width
        return [FieldProblem(f"'{aim.within}' is no width", at=("within",), allowed="a power in W or mW")]
    if (aim.tolerance or 0.0) <= 0.0:
        return [FieldProblem(f"'{aim.within}' leaves no width", at=("within",), allowed=allowed)]
    return []


def _quantity_problems(text: str, dimension: Dimension, at: str, allowed: str) -> list[FieldProblem]:
    try:
        parse_quantity(text, dimension)
    except QuantityError as error:
        return [FieldProblem(error.problem, at=(at,), found=error.found, allowed=allowed, hint=error.hint)]
    return []
