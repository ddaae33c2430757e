"""Proof, before a second generator decides anything, that level and frequency are what it says: the receiver hears both generators alike.

Each alone, on the channel, at the same level and with the same modulation, gives the same SINAD (substitution, textbook). So weak a signal
is taken that SINAD follows the level; there an attenuator that sticks and an output that leaks show most. What both generators state of
their levels may part them. Beside the channel, some 60 dB higher, nothing on a bench without a power meter tells.
"""

from collections.abc import Callable
from contextlib import suppress

from drivers.faults import Refused, UnexpectedReply
from drivers.roles import Reading
from sequencer.checks.finding import Conditions
from sequencer.checks.shared.asked.levels import LevelWindow
from sequencer.checks.shared.budgets.parts import HalfWidth, find_entry
from sequencer.checks.shared.level_search.sensitivity import SensitivitySettingsBase
from sequencer.checks.shared.level_search.sensitivity_reader import REPEAT_S, SWITCH_S, SensitivityReader
from sequencer.checks.shared.level_search.signal_proof import apart_hz
from sequencer.checks.shared.level_search.wanted_signal import UNMODULATED, apply_wanted, carrier_offset_hz
from sequencer.checks.shared.readings.operator import is_read_by_hand
from sequencer.checks.shared.two_signal.settings import UNSTATED_DB
from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER
from sequencer.safety.receive import ReceiveSide

FOLLOWS_DB = 18.0  # of SINAD: below it a receiver's own distortion and hum hold nothing back. Common practice, no source
AIM_DB = 13.0
HEARD_DB = 4.0  # of SINAD: less is noise
CLEAR_DB = (
    8.0  # of SINAD: what is no louder may be noise of a narrow filter, and its going away shows nothing
)
LOOKS = 4
NEXT_CHANNEL = 0.75  # of the channels' spacing: nearer, the channel filter may let it pass
STEEPEST = 2.0  # dB of SINAD per dB of level, in FM near its threshold: textbook
SCATTER_DB = 2.0  # of two readings of 0.25 s: four times what they usually differ by
NEXT = (
    "Measure both generators' levels with a power meter, there and 20 dB higher: look at the attenuator of the one that is off, at its "
    "connectors, and at what leaks past its attenuator"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AsHeard:
    """How the second generator is heard alone on the channel: SINAD, dB, at a level, dBm; ``within_db``: how far the first's may be."""

    level_dbm: float
    sinad_db: float | None
    within_db: float


def heard_second_level(
    side: ReceiveSide,
    settings: SensitivitySettingsBase,
    conditions: Conditions,
    reader: SensitivityReader,
    *,
    level_dbm: float,
    first_db: float | None,
    beside_hz: float = 0.0,
) -> AsHeard | UnexpectedReply | None:
    """Return what is wrong where the second generator's signal is stronger, or weaker, than the first's at the same level; else how it is.

    The same where it is heard as loudly ``beside_hz`` from the channel; nearer than the next channel a sound receiver may hear it, and
    nothing is said.

    ``first_db`` is the SINAD of the first alone at ``level_dbm``, where it was read already. The first is left off, as is the second.
    None where a person sets a generator or reads SINAD, where the second cannot modulate so, or where no SINAD is read at all.
    """
    named = [find_entry(conditions.bench, role) for role in ("signal_generator", INTERFERER)]
    if any(one is None or one[1].manual for one in named) or is_read_by_hand(conditions, "audio_analyser"):
        return None
    with suppress(Refused):
        for look in range(2):  # one odd reading says nothing
            first_db, made_dbm = _first(
                side, settings, conditions, reader, level_dbm, None if look else first_db
            )
            side.remove_signal()
            second_db, second_dbm = hear_second(side, settings, conditions, reader, made_dbm)
            within_db = SCATTER_DB + STEEPEST * (_off_db(conditions) + abs(second_dbm - made_dbm))
            if not _is_doubted(first_db, second_db, within_db, conditions.mode):
                heard = AsHeard(level_dbm=made_dbm, sinad_db=second_db, within_db=within_db)
                return (
                    heard
                    if (
                        doubted := _doubted_beside(
                            side,
                            settings,
                            conditions,
                            reader,
                            level_dbm=made_dbm,
                            on_db=second_db,
                            beside_hz=beside_hz,
                        )
                    )
                    is None
                    else doubted
                )
        assert first_db is not None
        return _doubted(conditions, made_dbm, first_db, second_db)
    return None


def _is_doubted(first_db: float | None, second_db: float | None, within_db: float, mode: str) -> bool:
    """Say whether two ratios lie further apart than both generators' levels may; no second one beside a first is as low as any."""
    if first_db is None or first_db < HEARD_DB:
        return False
    apart_db = (0.0 if second_db is None else second_db) - first_db
    # in SSB and CW the second carrier's tone may stand beside the notch, which takes from SINAD and never adds
    return apart_db > within_db or (apart_db < -within_db and mode not in UNMODULATED)


def _first(
    side: ReceiveSide,
    settings: SensitivitySettingsBase,
    conditions: Conditions,
    reader: SensitivityReader,
    level_dbm: float,
    first_db: float | None,
) -> tuple[float | None, float]:
    """Return SINAD with the first generator, and its level, dBm, where SINAD follows that; lowered until it does."""
    window = LevelWindow()
    lowest_dbm = max(window.bounds_dbm(conditions, interferer=second)[0] for second in (False, True))
    if first_db is None:
        apply_wanted(side, settings, conditions, level_dbm)
    made_dbm = side.set_level_dbm(level_dbm)
    if first_db is None:
        side.wait_s(3.0 * SWITCH_S)
        first_db = reader.read(REPEAT_S).number
    for _ in range(LOOKS):
        if first_db is None or first_db <= FOLLOWS_DB or made_dbm <= lowest_dbm:
            break
        lower_db = max(1, round((first_db - AIM_DB) / STEEPEST))
        made_dbm = side.set_level_dbm(max(lowest_dbm, made_dbm - lower_db))
        side.wait_s(3.0 * SWITCH_S)
        first_db = reader.read(REPEAT_S).number
    return first_db, made_dbm


def hear_second(
    side: ReceiveSide,
    settings: SensitivitySettingsBase,
    conditions: Conditions,
    reader: SensitivityReader,
    level_dbm: float,
    *,
    beside_hz: float = 0.0,
    read: Callable[[], Reading] | None = None,
) -> tuple[float | None, float]:
    """Return SINAD, or what ``read`` says, with the second generator alone as the wanted signal is, and the level that it made, dBm."""
    mode = conditions.mode
    side.apply_interferer(
        level_dbm,
        offset_hz=beside_hz + carrier_offset_hz(settings, mode),
        deviation_hz=settings.deviation_hz if mode == "FM" else 0.0,
        depth_percent=settings.depth_percent if mode == "AM" else 0.0,
        tone_hz=settings.tone_hz,
    )
    second_dbm = side.set_interferer_dbm(level_dbm)
    side.wait_s(3.0 * SWITCH_S)
    found = (reader.read(REPEAT_S) if read is None else read()).number
    side.remove_interferer()
    return found, second_dbm


def _doubted_beside(
    side: ReceiveSide,
    settings: SensitivitySettingsBase,
    conditions: Conditions,
    reader: SensitivityReader,
    *,
    level_dbm: float,
    on_db: float | None,
    beside_hz: float,
) -> UnexpectedReply | None:
    """Return what is wrong where the second generator is heard beside the channel as on it, ``on_db``; else None. One reading, if sound.

    A receiver with a bad filter rejects a little all the same, which so weak a signal shows.
    """
    if on_db is None or on_db < CLEAR_DB or abs(beside_hz) < NEXT_CHANNEL * apart_hz(conditions):
        return None
    beside_db: float | None = None
    for _ in range(2):  # one odd reading says nothing
        beside_db, _made_dbm = hear_second(side, settings, conditions, reader, level_dbm, beside_hz=beside_hz)
        if beside_db is None or beside_db < on_db - SCATTER_DB:
            return None
    named = find_entry(conditions.bench, INTERFERER)
    assert named is not None
    return UnexpectedReply(
        f"the second generator is heard on the channel although it was set {abs(beside_hz) / 1e3:.6g} kHz beside it: alone at "
        f"{level_dbm:.1f} dBm it gives {beside_db:.1f} dB SINAD there, and {on_db:.1f} dB on the channel",
        instrument=named[0],
        address=named[1].address,
        next_move="Count its frequency while it is set beside the channel. If that is right, the unit rejects nothing there: look at its "
        "channel filter.",
    )


def _off_db(conditions: Conditions) -> float:
    """Return how far apart what is stated of both levels lets them be, dB."""
    stated = [HalfWidth.of(conditions.bench, role, "level") for role in ("signal_generator", INTERFERER)]
    return sum(UNSTATED_DB if one is None or one.figure is None else one.figure for one in stated)


def _doubted(
    conditions: Conditions, level_dbm: float, first_db: float, second_db: float | None
) -> UnexpectedReply:
    named = find_entry(conditions.bench, INTERFERER)
    assert named is not None
    if second_db is not None and second_db > first_db:
        told = "the second generator is louder than it says, or the first fainter"
    else:
        told = "the second generator is fainter than it says, or the first louder"
    gives = "no SINAD" if second_db is None else f"{second_db:.1f} dB SINAD"
    nothing = second_db is None or second_db < HEARD_DB
    return UnexpectedReply(
        f"{told}: alone on the channel at {level_dbm:.1f} dBm it gives {gives}, and the first {first_db:.1f} dB"
        + (": nothing shows that its signal reaches the unit" if nothing else ""),
        instrument=named[0],
        address=named[1].address,
        next_move=f"{NEXT}.",
    )
