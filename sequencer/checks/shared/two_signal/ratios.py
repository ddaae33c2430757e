"""What selectivity, blocking and co-channel rejection share: a wanted signal, and an interferer raised until it spoils it.

The wanted signal stands 3 dB above the level for 12 dB SINAD unless its level is stated, and the interferer is raised until SINAD is
back at 12 dB: the practice of land-mobile standards, from memory of TIA-603. The ratio is that of both levels at the antenna connector.
The path's loss and its match towards the unit are common to both generators and cancel in it; both generators' level accuracies and
matches count.
"""

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import replace

from drivers.roles import Reading
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.shared.budgets.level_budget import how_found, why_not
from sequencer.checks.shared.level_search.sensitivity import (
    find_sensitivity,
    sensitivity_reader,
)
from sequencer.checks.shared.level_search.sensitivity_reader import (
    REPEAT_S,
    REPEATS,
    SWITCH_S,
)
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.level_search.wanted_signal import apply_wanted, find_tone_hz, why_no_tone
from sequencer.checks.shared.readings.settle import several
from sequencer.checks.shared.two_signal.budget import (
    Interference,
    Place,
    WantedLevel,
    loss_apart_db,
    ratio_parts,
)
from sequencer.checks.shared.two_signal.generator_noise import beside_own_noise
from sequencer.checks.shared.two_signal.search import Receiver, expected_dbm, spoilt_search
from sequencer.checks.shared.two_signal.second_place import SecondProof, prove_second
from sequencer.checks.shared.two_signal.settings import SecondSignalSettings, highest_dbm
from sequencer.frozen import dataclass
from sequencer.results.model import FaultFacts
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve_spoilt import Room
from sequencer.search.protocol import Ask, Crossing, find_crossing

OFFSET_AXIS = "interferer's offset"
LEAST_ROOM_DB = 1.0
NORMAL_95 = 1.96


def find_ratios(
    side: ReceiveSide, settings: SecondSignalSettings, conditions: Conditions, interference: Interference
) -> list[Finding]:
    """Find at each offset the ratio of interferer to wanted signal at which reception is spoiled."""
    wanted = _find_wanted(side, settings, conditions)
    if isinstance(wanted, str):
        return _nothing(interference.places, settings, wanted)
    alone = _read_alone(side, settings, conditions, wanted)
    alone_db = statistics.fmean(one.number for one in alone if one.number is not None) if alone else None
    target_db = settings.target.ratio_db
    if interference.fall_db is not None and alone_db is not None:
        target_db = alone_db - interference.fall_db
    if alone_db is None or alone_db < target_db + LEAST_ROOM_DB or target_db < LEAST_ROOM_DB:
        shown = "no SINAD" if alone_db is None else f"{alone_db:.1f} dB SINAD"
        note = f"the wanted signal alone, {wanted.level_dbm:.1f} dBm, gives {shown}: no room for a fall to {target_db:.1f} dB"
        return _nothing(interference.places, settings, note)
    second = prove_second(
        side,
        settings,
        conditions,
        wanted.reader,
        level_dbm=wanted.level_dbm,
        first_db=alone_db,
        places_hz=[place.offset_hz for place in interference.places],
        beside_hz=interference.beside_hz,
    )
    if second.fault is not None:
        return _nothing(interference.places, settings, str(second.fault), fault=FaultFacts.of(second.fault))
    apply_wanted(side, settings, conditions, wanted.level_dbm)
    found: list[Finding] = []
    before: dict[float, Crossing] = {}
    for place in interference.places:
        offset_hz = place.offset_hz
        question = _Question(wanted, alone, target_db, place, dict(before), second)
        finding, crossing = _ratio_finding(side, settings, conditions, interference, question)
        found.append(finding)
        if crossing.found:
            before[offset_hz] = crossing
        side.remove_interferer()
    return found


@dataclass(frozen=True, slots=True)
class _Question:
    wanted: WantedLevel
    alone: list[Reading]
    target_db: float
    place: Place
    before: Mapping[float, Crossing]
    """What was found at other offsets of the same unit."""
    second: SecondProof

    def room(self, settings: SecondSignalSettings) -> Room | None:
        """Return how far the wanted signal stands above its sensitivity; None where nobody looked for that, or the target is another."""
        found = self.wanted.crossing
        if found is None or not found.slope or self.target_db != settings.target.ratio_db:
            return None
        slope_sd = found.slope_sd or 0.0
        sd_db = found.half_width_db / NORMAL_95
        return Room(
            above_db=settings.wanted_above_db,
            sd_db=round(sd_db, 2),
            slope=round(found.slope, 2),
            slope_sd=round(slope_sd, 2),
        )


def _find_wanted(
    side: ReceiveSide, settings: SecondSignalSettings, conditions: Conditions
) -> WantedLevel | str:
    """Return the wanted signal's level, given or above the sensitivity found; or in words why there is none."""
    level_dbm, crossing, note = settings.wanted_dbm, None, "as stated"
    if level_dbm is None:
        found = find_sensitivity(side, settings, conditions)
        crossing = found.crossing
        if crossing is None or not crossing.found or crossing.level_db is None:
            return f"sensitivity: {found.why_not_found or (why_not(crossing) if crossing is not None else 'not found')}"
        level_dbm = crossing.level_db + settings.wanted_above_db
        note = f"{settings.wanted_above_db:g} dB above {settings.target_words} at {crossing.level_db:.1f} dBm"
    tone_hz = find_tone_hz(side, settings, conditions, weighting=settings.weighting)
    if tone_hz is None:
        return why_no_tone(conditions)
    return WantedLevel(
        level_dbm=level_dbm,
        reader=sensitivity_reader(side, settings, conditions, tone_hz),
        crossing=crossing,
        note=note,
    )


def _read_alone(
    side: ReceiveSide, settings: SecondSignalSettings, conditions: Conditions, wanted: WantedLevel
) -> list[Reading]:
    """Return readings of the wanted signal alone, dB; none where one of them is no number."""
    apply_wanted(side, settings, conditions, wanted.level_dbm)
    side.wait_s(3.0 * SWITCH_S)
    found = several(lambda: wanted.reader.read(REPEAT_S), REPEATS)
    return found if all(one.number is not None for one in found) else []


def _ratio_finding(
    side: ReceiveSide,
    settings: SecondSignalSettings,
    conditions: Conditions,
    interference: Interference,
    question: _Question,
) -> tuple[Finding, Crossing]:
    wanted_dbm, place = question.wanted.level_dbm, question.place
    apart_db = loss_apart_db(conditions, place.offset_hz)
    low_dbm, high_dbm = settings.interferer_levels.bounds_dbm(
        conditions, interferer=True, highest_dbm=highest_dbm(conditions)
    )
    high_dbm -= max(0.0, apart_db)  # what the path spares it beside the channel, the receiver gets
    search = spoilt_search(
        Receiver.of(settings, conditions.mode),
        target_db=question.target_db,
        alone_db=statistics.fmean(one.number for one in question.alone if one.number is not None),
        room=question.room(settings),
        expected=expected_dbm(wanted_dbm, interference.usual, place.offset_hz, question.before),
        window_dbm=(low_dbm, high_dbm),
        accuracy_db=settings.accuracy_db,
    )
    first: Ask | None = search.ask
    interference.apply(first.level_db if first is not None else low_dbm, place.offset_hz)
    stepper = Stepper(
        side, conditions, question.wanted.reader.read, unit="dB", set_level=side.set_interferer_dbm
    )
    crossing = find_crossing(search, stepper.measure)
    quantity, limits = place.quantity, settings.limit.limits
    if not crossing.found or crossing.level_db is None:
        note = (
            f"{why_not(crossing)}; the interferer may go from {low_dbm:g} to {high_dbm:g} dBm, {high_dbm - wanted_dbm:.0f} dB above the "
            "wanted signal"
        )
        nothing = Finding(
            quantity=quantity,
            value=None,
            unit="dB",
            limits=limits,
            note=note,
            points=tuple(stepper.points),
            target=question.target_db,
            target_unit=settings.target.unit,
        )
        return _placed(nothing, place.offset_hz), crossing
    interferer_dbm = crossing.level_db + apart_db
    ratio_db = interferer_dbm - wanted_dbm
    parts = ratio_parts(
        crossing,
        settings,
        conditions,
        interference,
        wanted=question.wanted,
        alone=question.alone,
        offset_hz=place.offset_hz,
    )
    looked, responds = "", False
    if interference.look is not None:
        looked, responds = interference.look(
            question.wanted.reader, crossing.level_db, place.offset_hz, question.target_db
        )
    note = (
        f"wanted {wanted_dbm:.1f} dBm ({question.wanted.note}), interferer {interferer_dbm:.1f} dBm at "
        f"{question.target_db:.1f} dB SINAD; {how_found(crossing)}"
    )
    rests = "" if responds else question.second.said(place.offset_hz)
    note = "; ".join(filter(None, (note, looked, rests)))
    finding = Finding(
        quantity=quantity,
        value=ratio_db,
        unit="dB",
        limits=limits,
        budget=parts.budget(quantity, "dB", ratio_db),
        note=note,
        points=tuple(stepper.points),
        target=question.target_db,
        target_unit=settings.target.unit,
        slope=crossing.slope,
    )
    finding = beside_own_noise(finding, conditions, place.offset_hz)
    return _placed(finding, place.offset_hz), crossing


def _nothing(
    places: Sequence[Place], settings: SecondSignalSettings, note: str, *, fault: FaultFacts | None = None
) -> list[Finding]:
    limits = settings.limit.limits
    nothing = [
        Finding(quantity=one.quantity, value=None, unit="dB", limits=limits, note=note, fault=fault)
        for one in places
    ]
    return [_placed(one, place.offset_hz) for one, place in zip(nothing, places, strict=True)]


def _placed(finding: Finding, offset_hz: float) -> Finding:
    """Return the finding where it stands along the interferer's offset; on the channel itself there is nothing to stand along."""
    if not offset_hz:
        return finding
    return replace(finding, axis=OFFSET_AXIS, axis_value=offset_hz, axis_unit="Hz")
