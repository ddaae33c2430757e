"""What is read while a preset is turned: the figure of the ordinary check, once and at once, in the unit of its target.

No budget, no average: the results as found and as left are the ordinary check's own. Where a person reads the instrument, that person
watches it while turning, and the tool only holds the unit keyed or fed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from drivers.roles import PeakSide, Reading
from sequencer.checks.adjusting.following import SwitchFollower
from sequencer.checks.adjusting.turning import PERIOD_S
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.people import by_hand
from sequencer.checks.receive.receive_distortion import AudioOutputSettings, StandardSignal, apply_standard
from sequencer.checks.receive.s9_point import S9PointSettings
from sequencer.checks.receive.signal_to_noise import SETTLE_S, SignalToNoiseSettings, begun
from sequencer.checks.receive.sinad import SinadSettings
from sequencer.checks.receive.squelch import SquelchSettings
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.level_search.s_meter import TONE_HZ
from sequencer.checks.shared.level_search.sensitivity_reader import SensitivityReader
from sequencer.checks.shared.level_search.wanted_signal import BESIDE_THE_DIAL, apply_wanted
from sequencer.checks.shared.transmit.keyed_readings import raised_v
from sequencer.checks.transmit.carrier_power import SIDEBANDS, CarrierPowerSettings
from sequencer.checks.transmit.modulation_depth import ModulationDepthSettings
from sequencer.checks.transmit.peak_deviation import PeakDeviationSettings
from sequencer.checks.transmit.ssb_suppression import BANDWIDTH_HZ, SsbSuppressionSettings
from sequencer.frozen import dataclass
from sequencer.inputs.preset import Preset
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.transmit import TransmitSide
from sequencer.units.convert import w_from_dbm

FOLLOWED = 2.5  # time constants that what switches is given to follow a step of the level: 92 % of it
READING_S = 0.15  # of an audio or meter reading, so that five go into a second
PEAKS: tuple[PeakSide, PeakSide] = ("positive", "negative")
QUIET = {"W": 0.002, "Hz": 2.0, "%": 0.2, "dB": 0.2, "A": 0.002, "dBm": 0.1, "V": 0.002}
"""What a figure of each unit scatters by at least, so that it is not taken for a movement; workshop's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveReader:
    """How a figure is read: ``prepare`` once, then ``read``; by ``role``, which is asked for so many ``answers`` each time.

    ``settle_s`` is what it takes to follow a setting that was written; ``settled`` reads then, where ``read`` only follows.
    ``watched`` is said in place of a figure where a person reads the instrument.
    """

    role: str
    read: Callable[[], Reading]
    prepare: Callable[[], object]
    answers: float = 1.0
    leave: Callable[[], object] = lambda: None
    settled: Callable[[], Reading] | None = None
    watched: str = ""
    settle_s: float = 0.2


def _nothing() -> None:
    """Prepare nothing."""


def transmit_reader(
    side: TransmitSide, preset: Preset, settings: CheckSettings, conditions: Conditions
) -> LiveReader:
    """Return the reader of a preset on the transmit side."""
    reader = _transmit_reader(side, preset, settings, conditions)
    if not by_hand(conditions, reader.role):
        return reader
    # keyed, while the person looks at the instrument; nothing else keys the unit
    return _watching(reader, side)


def _transmit_reader(
    side: TransmitSide, preset: Preset, settings: CheckSettings, conditions: Conditions
) -> LiveReader:
    match settings:
        case CarrierPowerSettings():
            return _power(side, settings, conditions)
        case PeakDeviationSettings():
            return LiveReader(
                role="modulation_analyser",
                answers=2.0,
                prepare=lambda: side.apply_audio(tone_hz=settings.tones_hz[0], level_v=settings.level_v),
                read=lambda: _larger(side.read_deviation_hz),
            )
        case ModulationDepthSettings():
            level_v = raised_v(settings.drive_v, settings.above_db)
            return LiveReader(
                role="modulation_analyser",
                answers=2.0,
                prepare=lambda: side.apply_audio(tone_hz=settings.tone_hz, level_v=level_v),
                read=lambda: _larger(side.read_depth_percent),
            )
        case SsbSuppressionSettings():
            return _suppression(side, preset, settings, conditions)
    if preset.of == "supply_current":
        read = side.read_idle_current_a if preset.figure == "receive" else side.read_supply_current_a
        return LiveReader(role="supply", prepare=_nothing, read=read)
    carrier_hz = conditions.carrier_hz
    return LiveReader(
        role="modulation_analyser",
        prepare=_nothing,
        read=lambda: _changed(side.read_frequency_hz(), lambda counted_hz: counted_hz - carrier_hz),
    )


def receive_reader(
    side: ReceiveSide, preset: Preset, settings: CheckSettings, conditions: Conditions, found: Finding
) -> LiveReader:
    """Return the reader of a preset on the receive side; ``found`` is its figure as found, whose slope an S-meter is read by."""
    reader = _receive_reader(side, preset, settings, conditions, found)
    if not by_hand(conditions, reader.role):
        return reader
    return _watching(reader, side)


def _receive_reader(
    side: ReceiveSide, preset: Preset, settings: CheckSettings, conditions: Conditions, found: Finding
) -> LiveReader:
    match settings:
        case S9PointSettings(meter="segments"):
            return _segment(side, settings, conditions, found)
        case S9PointSettings():
            return _s9(side, preset, settings, conditions, found)
        case SquelchSettings():
            return _squelch(side, settings, conditions, found)
        case SinadSettings():
            return LiveReader(
                role="audio_analyser",
                prepare=lambda: _apply_sinad(side, settings),
                read=lambda: side.read_sinad_db(READING_S),
            )
        case SignalToNoiseSettings():
            return _signal_to_noise(side, settings, conditions)
        case AudioOutputSettings() if preset.figure == "power":
            return LiveReader(
                role="audio_analyser",
                prepare=lambda: apply_standard(side, settings, conditions),
                read=lambda: _changed(
                    side.read_audio_v(READING_S), lambda volts: volts**2 / settings.load_ohm
                ),
            )
        case StandardSignal():
            return LiveReader(
                role="audio_analyser",
                prepare=lambda: apply_standard(side, settings, conditions),
                read=lambda: side.read_distortion_percent(READING_S),
            )
    raise TypeError(f"nothing is read of {preset.of} while a preset is turned")


def _signal_to_noise(
    side: ReceiveSide, settings: SignalToNoiseSettings, conditions: Conditions
) -> LiveReader:
    """Return the reader of a ratio at a level; in FM the noise without a signal is read once, before."""
    found: list[SensitivityReader | None] = [None]

    def prepare() -> None:
        found[0], _ = begun(side, settings, conditions)
        side.wait_s(SETTLE_S)

    def read() -> Reading:
        reader = found[0]
        return Reading(number=None) if reader is None else reader.read(READING_S)

    answers = 1.0 if settings.ratio == "quieting" else 2.0
    return LiveReader(role="audio_analyser", answers=answers, prepare=prepare, read=read)


def _power(side: TransmitSide, settings: CarrierPowerSettings, conditions: Conditions) -> LiveReader:
    drive_v = settings.drive_v
    if conditions.mode not in SIDEBANDS or drive_v is None:
        return LiveReader(
            role="power_meter",
            prepare=_nothing,
            read=lambda: _changed(side.read_power_dbm(), w_from_dbm),
        )
    low_hz, high_hz = settings.tones_hz
    return LiveReader(
        role="power_meter",
        prepare=lambda: side.apply_two_tones(tones_hz=(low_hz, high_hz), level_v=drive_v),
        read=lambda: _changed(side.read_peak_envelope_dbm(), w_from_dbm),
        leave=side.remove_second_tone,
    )


def _suppression(
    side: TransmitSide, preset: Preset, settings: SsbSuppressionSettings, conditions: Conditions
) -> LiveReader:
    wanted_hz = settings.tone_hz if conditions.mode == "USB" else -settings.tone_hz
    line_hz = 0.0 if preset.figure == "carrier" else -wanted_hz

    def read() -> Reading:
        wanted = side.read_selective_dbm(wanted_hz, BANDWIDTH_HZ)
        if (above_dbm := wanted.number) is None:
            return wanted
        return _changed(side.read_selective_dbm(line_hz, BANDWIDTH_HZ), lambda line_dbm: above_dbm - line_dbm)

    return LiveReader(
        role="modulation_analyser",
        answers=6.0,
        prepare=lambda: side.apply_audio(tone_hz=settings.tone_hz, level_v=settings.drive_v),
        read=read,
    )


def _s9(
    side: ReceiveSide, preset: Preset, settings: S9PointSettings, conditions: Conditions, found: Finding
) -> LiveReader:
    """Return the reader of a needle at the level where S9 belongs: its slope, as found, tells how far off S9 is there."""
    level_dbm = preset.target if preset.target is not None else settings.limit.nominal_at(conditions)
    slope_v = found.slope or 0.0

    def prepare() -> None:
        beside_hz = TONE_HZ * BESIDE_THE_DIAL.get(conditions.mode, 0.0)
        side.configure_meter(attack_s=settings.attack_s, decay_s=settings.decay_s)
        side.apply_carrier(level_dbm, offset_hz=beside_hz)
        side.wait_s(5.0 * settings.slowest_s)

    return LiveReader(
        role="voltmeter",
        settle_s=5.0 * settings.slowest_s,
        prepare=prepare,
        read=lambda: _changed(
            side.read_meter_v(READING_S), lambda volts: level_dbm - (volts - settings.target_v) / slope_v
        ),
    )


def _squelch(
    side: ReceiveSide, settings: SquelchSettings, conditions: Conditions, found: Finding
) -> LiveReader:
    """Return the reader of the level at which the squelch opens, followed in steps."""
    open_above_v, start_dbm = found.target or 0.0, found.value or 0.0
    waits_s = FOLLOWED * settings.settling_s
    follower = SwitchFollower(
        side,
        lambda: _is_above(side.read_audio_v(READING_S), open_above_v),
        start_dbm=start_dbm,
        bounds_dbm=settings.levels.bounds_dbm(conditions),
        rise_s=waits_s,
        fall_s=waits_s,
    )

    def prepare() -> None:
        side.configure_audio(tone_hz=settings.nominal_tone_hz(conditions.mode))
        apply_wanted(side, settings, conditions, start_dbm)
        side.wait_s(waits_s)

    return LiveReader(
        role="audio_analyser", prepare=prepare, read=follower.look, settled=follower.find, settle_s=waits_s
    )


def _segment(
    side: ReceiveSide, settings: S9PointSettings, conditions: Conditions, found: Finding
) -> LiveReader:
    """Return the reader of the level at which the segment of S9 lights, followed in steps."""
    start_dbm = found.value or 0.0
    rise_s, fall_s = (FOLLOWED * one for one in (settings.attack_s, settings.decay_s))
    follower = SwitchFollower(
        side,
        lambda: _is_above(side.read_meter_v(READING_S), settings.target_v),
        start_dbm=start_dbm,
        bounds_dbm=settings.levels.bounds_dbm(conditions),
        rise_s=rise_s,
        fall_s=fall_s,
    )

    def prepare() -> None:
        side.configure_meter(attack_s=settings.attack_s, decay_s=settings.decay_s)
        side.apply_carrier(start_dbm, offset_hz=TONE_HZ * BESIDE_THE_DIAL.get(conditions.mode, 0.0))
        side.wait_s(max(rise_s, fall_s))

    return LiveReader(
        role="voltmeter",
        prepare=prepare,
        read=follower.look,
        settled=follower.find,
        settle_s=max(rise_s, fall_s),
    )


def _is_above(reading: Reading, volts: float) -> bool | None:
    return None if reading.number is None else reading.number > volts


def _apply_sinad(side: ReceiveSide, settings: SinadSettings) -> None:
    side.configure_audio(tone_hz=settings.tone_hz)
    side.apply_fm(settings.level_dbm, deviation_hz=settings.deviation_hz, tone_hz=settings.tone_hz)
    side.wait_s(PERIOD_S)


def _larger(read: Callable[[PeakSide], Reading]) -> Reading:
    """Return the larger of both peaks: that one decides."""
    both = [read(side) for side in PEAKS]
    lost = next((one for one in both if one.number is None), None)
    return lost or max(both, key=lambda one: one.number or 0.0)


def _changed(reading: Reading, change: Callable[[float], float]) -> Reading:
    """Return a reading in the unit of the target."""
    return reading if reading.number is None else replace(reading, number=change(reading.number))


def _watching(reader: LiveReader, side: TransmitSide | ReceiveSide) -> LiveReader:
    """Return a reader that holds for a moment and reads nothing: a person watches the instrument while turning."""

    def hold() -> Reading:
        side.wait_s(PERIOD_S)
        return Reading(number=None)

    dial = reader.role.replace("_", " ")
    return replace(reader, read=hold, watched=f"read by you: watch the {dial} while you turn")
