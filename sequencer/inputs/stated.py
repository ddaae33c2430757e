"""What a bench file states of its accuracies, and under which key: the one place where a budget asks for it.

What is not stated is unknown, not nought. A need is written `role.key` (`power_meter.power`; `interferer.level` is the second
generator's), with the keys that may stand in for it after it (`audio_analyser.distortion|sinad`: the first that is stated counts); or it
is one of this module's names for a path, of which all that belongs to it is needed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final, Literal, get_args

from sequencer.files.fields import key_of
from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER, BenchFile
from sequencer.inputs.bench_parts.accuracy import Accuracy
from sequencer.inputs.bench_parts.instrument_roles import Instrument, Matched, SignalGenerator
from sequencer.inputs.bench_parts.loss_table import frequency_text
from sequencer.inputs.bench_parts.paths import LossyPath

RECEIVE_PATH: Final = "receive path"
"""A need: the loss of the receive path, and all matches between generator and unit."""
BOTH_GENERATORS = "both generators"
"""A need: the matches of both generators towards path and unit, which do not cancel in a ratio of theirs."""
FAR_PATH: Final = "receive path far from the channel"
"""A need: the loss of the receive path on the channel and far from it, and the matches of its end towards the unit at both."""
TRANSMIT_PATH: Final = "transmit path"
"""A need: the loss of the transmit path, and all matches between unit and power meter."""
SPECTRUM_PATH: Final = "spectrum path"
"""A need: the loss of the transmit path, and all matches between a unit beside its channel and the spectrum analyser."""
BESIDE_CHANNEL_VSWR = 1e4
"""A unit's match outside its band: it reflects all, for nobody has made it do otherwise. Common practice, no source."""
CHECK_PATH: Final = "check path"
"""A need: the loss of the path from generator to power meter, and all matches along it."""
AUDIO_LEAD: Final = "audio lead"
SUPPLY_LEAD: Final = "supply lead"
KEY_LINE: Final = "radio.key_response"
"""A need: how long the push-to-talk line takes at most from the order until it is closed or open."""
"""Needs: how well the connections of a lead repeat."""
Connector = Literal["receive path", "transmit path", "audio lead", "supply lead"]
"""What is connected to a unit, and made anew for the next one."""
PAD_DB = 3.0
"""A receive path that loses this or more holds a pad, whose match is needed; below it a cable may stand alone. Workshop's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """A figure of the bench file, None where it is not stated, and the key it stands or should stand under."""

    figure: float | None
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """How well a connection repeats: a standard deviation in ``unit``, and with how many degrees of freedom it is known."""

    stated: Stated
    unit: str
    dof: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Facing:
    """Two matches that face each other through ``transmission`` (linear, |S21 S12|): a pair of a mismatch.

    ``with_unit`` says whether one of them is the unit's own.
    """

    name: str
    one: Stated
    other: Stated
    transmission: float = 1.0
    with_unit: bool = True


def stated_of(named: tuple[str, Instrument], *keys: str) -> Stated:
    """Return what the entry ``named`` states under the first of ``keys`` that it states at all."""
    name, entry = named
    accuracy: Accuracy = getattr(entry, "accuracy")  # noqa: B009 - of the roles that are measured with or fed from
    figures = {key_of(field): getattr(accuracy, field) for field in type(accuracy).model_fields}
    for key in keys:
        if figures[key] is not None:
            return Stated(figure=figures[key], key=f"instruments.{name}.accuracy.{key}")
    return Stated(figure=None, key=f"instruments.{name}.accuracy.{keys[0]}")


def key_response_of(named: tuple[str, Instrument]) -> Stated:
    """Return how long the push-to-talk line takes at most, s."""
    name, entry = named
    return Stated(figure=getattr(entry, "key_response_s", None), key=f"instruments.{name}.key_response")


def vswr_of(named: tuple[str, Instrument]) -> Stated:
    """Return the match of an instrument's connector."""
    name, entry = named
    return Stated(figure=entry.vswr if isinstance(entry, Matched) else None, key=f"instruments.{name}.vswr")


def loss_uncertainty(path: LossyPath, name: str, frequency_hz: float | None) -> Stated:
    """Return the expanded uncertainty of the loss of the path called ``name`` at ``frequency_hz``; None: at none in particular.

    Beyond the loss table nothing is known of it, whatever is stated: the key says which loss is missing.
    """
    end_hz = None if frequency_hz is None else path.end_taken_hz(frequency_hz)
    if frequency_hz is not None and end_hz is not None:
        side = "above" if frequency_hz > end_hz else "below"
        return Stated(figure=None, key=f"paths.{name}.loss {side} {frequency_text(end_hz)}")
    return Stated(figure=path.uncertainty_db, key=f"paths.{name}.uncertainty")


def connection_of(bench: BenchFile, what: Connector) -> Repeats | None:
    """Return how well the connection repeats that a result went over; None where the bench has no such connection."""
    if what in (RECEIVE_PATH, TRANSMIT_PATH):
        path = bench.paths.receive if what == RECEIVE_PATH else bench.paths.transmit
        if path is None:
            return None
        key = f"paths.{what.partition(' ')[0]}.connection_repeatability"
        stated = Stated(figure=path.connection_repeatability_db, key=key)
        return Repeats(stated=stated, unit="dB", dof=_dof(path.connections_made))
    role, lead = (
        ("audio_analyser", bench.leads.audio) if what == AUDIO_LEAD else ("supply", bench.leads.supply)
    )
    if bench.with_role(role) is None:
        return None
    key = f"leads.{what.partition(' ')[0]}.connection_repeatability"
    if lead is None:
        return Repeats(stated=Stated(figure=None, key=key), unit="%")
    stated = Stated(figure=lead.connection_repeatability_percent, key=key)
    return Repeats(stated=stated, unit="%", dof=_dof(lead.connections_made))


def find_connections(bench: BenchFile, needs: Iterable[str]) -> list[Stated]:
    """Return the connections on ``bench`` that ``needs`` name, each key once."""
    wanted = set(needs)
    if SPECTRUM_PATH in wanted:
        wanted.add(TRANSMIT_PATH)  # they begin at the same connector
    found = (connection_of(bench, what) for what in get_args(Connector) if what in wanted)
    return [one.stated for one in found if one is not None]


def _dof(made: int | None) -> float:
    return math.inf if made is None else made - 1.0


def receive_pairs(bench: BenchFile, generator: tuple[str, Instrument], frequency_hz: float) -> list[Facing]:
    """Return the matches that face each other between a generator and the unit.

    A plain cable, of which neither end is stated, lets generator and unit face each other through its loss. A pad faces both.
    """
    path = bench.paths.receive
    if path is None:
        return []
    source, unit = vswr_of(generator), Stated(figure=path.unit_vswr, key="paths.receive.unit_vswr")
    near, far = _ends(path, "receive")
    loss_db = path.loss_db(frequency_hz)
    pairs = [_through(f"mismatch, {_called(generator)} to unit", source, unit, loss_db)]
    if near.figure is None and far.figure is None and loss_db < PAD_DB:
        return pairs
    return [
        *pairs,
        Facing(name=f"mismatch, {_called(generator)} to path", one=source, other=near, with_unit=False),
        Facing(name="mismatch, path to unit", one=far, other=unit),
    ]


def transmit_pairs(bench: BenchFile, meter: tuple[str, Instrument], frequency_hz: float) -> list[Facing]:
    """Return the matches that face each other between the unit and the power meter: at both ends of the path, and through it."""
    path = bench.paths.transmit
    if path is None:
        return []
    unit, sink = Stated(figure=path.unit_vswr, key="paths.transmit.unit_vswr"), vswr_of(meter)
    near, far = _ends(path, "transmit")
    return [
        Facing(name="mismatch, unit to path", one=unit, other=near),
        Facing(name="mismatch, path to power meter", one=far, other=sink, with_unit=False),
        _through("mismatch, unit to power meter", unit, sink, path.loss_db(frequency_hz)),
    ]


def spectrum_pairs(bench: BenchFile, frequency_hz: float) -> list[Facing]:
    """Return the matches that face each other between a unit and the spectrum analyser, beside the unit's own channel."""
    path, analyser = bench.paths.transmit, bench.with_role("spectrum_analyser")
    if path is None or analyser is None:
        return []
    unit, sink = Stated(figure=BESIDE_CHANNEL_VSWR, key=""), vswr_of(analyser)
    near, far = _ends(path, "transmit")
    if bench.paths.notch is not None:
        before, behind = _ends(bench.paths.notch, "notch")
        return [
            Facing(name="mismatch, unit beside its channel to path", one=unit, other=near),
            Facing(
                name="mismatch, path to filter before the analyser", one=far, other=before, with_unit=False
            ),
            Facing(name="mismatch, filter to spectrum analyser", one=behind, other=sink, with_unit=False),
        ]
    return [
        Facing(name="mismatch, unit beside its channel to path", one=unit, other=near),
        Facing(name="mismatch, path to spectrum analyser", one=far, other=sink, with_unit=False),
        _through("mismatch, unit to spectrum analyser", unit, sink, path.loss_db(frequency_hz)),
    ]


def check_pairs(bench: BenchFile, frequency_hz: float) -> list[Facing]:
    """Return the matches that face each other between generator and power meter on the check path."""
    path, generator, meter = (
        bench.paths.check,
        bench.with_role("signal_generator"),
        bench.with_role("power_meter"),
    )
    if path is None or generator is None or meter is None:
        return []
    source, sink = vswr_of(generator), vswr_of(meter)
    near, far = _ends(path, "check")
    through = _through("mismatch, generator to power meter", source, sink, path.loss_db(frequency_hz))
    return [
        Facing(name="mismatch, generator to path", one=source, other=near, with_unit=False),
        Facing(name="mismatch, path to power meter", one=far, other=sink, with_unit=False),
        replace(through, with_unit=False),
    ]


def own_pairs(bench: BenchFile, generator: tuple[str, Instrument], frequency_hz: float) -> list[Facing]:
    """Return of `receive_pairs` those of the generator's own: in the ratio of two generators on one path the path's own cancels."""
    source = vswr_of(generator).key
    return [one for one in receive_pairs(bench, generator, frequency_hz) if one.one.key == source]


def unlike_pairs(bench: BenchFile) -> list[Facing]:
    """Return the matches that do not cancel in a ratio of a signal on the channel to one far from it: the unit's differ."""
    path = bench.paths.receive
    if path is None:
        return []
    far = _ends(path, "receive")[1]
    unit = Stated(figure=path.unit_vswr, key="paths.receive.unit_vswr")
    beside = Stated(figure=BESIDE_CHANNEL_VSWR, key="")
    return [
        Facing(name="mismatch, path to unit on its channel", one=far, other=unit),
        Facing(name="mismatch, path to unit far from its channel", one=far, other=beside),
    ]


def find_needed(bench: BenchFile, needs: Iterable[str], frequency_hz: float | None) -> list[Stated]:
    """Return what ``needs`` name on ``bench``, each key once. ``frequency_hz`` None: anywhere, as a loss without slope."""
    found = {one.key: one for need in needs for one in _needed(bench, need, frequency_hz)}
    return list(found.values())


def _needed(bench: BenchFile, need: str, frequency_hz: float | None) -> Iterator[Stated]:
    at_hz = frequency_hz or 1.0
    if need in (RECEIVE_PATH, FAR_PATH):
        if bench.paths.receive is not None:
            yield loss_uncertainty(bench.paths.receive, "receive", frequency_hz)
        near = [receive_pairs(bench, one, at_hz) for one in _generators(bench)[:1]]
        yield from _matches(near if need == RECEIVE_PATH else [unlike_pairs(bench)])
    elif need == BOTH_GENERATORS:
        yield from _matches(own_pairs(bench, one, at_hz) for one in _generators(bench)[:2])
    elif need == TRANSMIT_PATH:
        if bench.paths.transmit is not None:
            yield loss_uncertainty(bench.paths.transmit, "transmit", frequency_hz)
        meter = bench.with_role("power_meter")
        yield from _matches([transmit_pairs(bench, meter, at_hz)] if meter is not None else [])
    elif need == SPECTRUM_PATH:
        if bench.paths.transmit is not None:
            yield loss_uncertainty(bench.paths.transmit, "transmit", frequency_hz)
        if bench.paths.notch is not None:
            yield loss_uncertainty(bench.paths.notch, "notch", frequency_hz)
        yield from _matches([spectrum_pairs(bench, at_hz)])
    elif need == CHECK_PATH:
        if bench.paths.check is not None:
            yield loss_uncertainty(bench.paths.check, "check", frequency_hz)
        yield from _matches([check_pairs(bench, at_hz)])
    elif need not in (AUDIO_LEAD, SUPPLY_LEAD):  # of a lead nothing is needed but its connection
        role, _, keys = need.partition(".")
        second = role == INTERFERER
        for named in bench.all_with_role("signal_generator" if second else role)[second : second + 1]:
            yield key_response_of(named) if need == KEY_LINE else _of_entry(named, keys)


def _of_entry(named: tuple[str, Instrument], keys: str) -> Stated:
    return vswr_of(named) if keys == "vswr" else stated_of(named, *keys.split("|"))


def _matches(pairs: Iterable[Iterable[Facing]]) -> Iterator[Stated]:
    for some in pairs:
        for pair in some:
            yield from (one for one in (pair.one, pair.other) if one.key)


def _generators(bench: BenchFile) -> list[tuple[str, SignalGenerator]]:
    return bench.all_with_role("signal_generator")


def _ends(path: LossyPath, name: str) -> tuple[Stated, Stated]:
    return (
        Stated(figure=path.input_vswr, key=f"paths.{name}.input_vswr"),
        Stated(figure=path.output_vswr, key=f"paths.{name}.output_vswr"),
    )


def _called(generator: tuple[str, Instrument]) -> str:
    return "generator" if generator[0] == "signal_generator" else generator[0]


def _through(name: str, one: Stated, other: Stated, loss_db: float) -> Facing:
    # |S21 S12| of a passive path is 10^(-loss/10); a path that gains is taken to pass all, on the safe side
    return Facing(name=name, one=one, other=other, transmission=min(1.0, float(10.0 ** (-loss_db / 10.0))))
