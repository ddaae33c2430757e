"""Finding the level at which a receiver just hears: SINAD, (S+N)/N or quieting, by mode, from the analyser or from its samples.

How each is read stands in sensitivity_reader.py.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from drivers.roles import Weighting
from sequencer.checks.finding import Conditions, Demand
from sequencer.checks.shared.asked.levels import LevelWindow, SearchAccuracyDb
from sequencer.checks.shared.asked.target import SensitivityTarget, Target
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS, ReadError, why_not
from sequencer.checks.shared.level_search.sensitivity_reader import DECAYS, SensitivityReader, reading_needs
from sequencer.checks.shared.level_search.signal_proof import (
    ABOVE_FOUND_DB,
    UNLIKELY_DBM,
    confirm_signal_counts,
)
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.level_search.wanted_signal import (
    CLEARLY_HEARD_DBM,
    UNMODULATED,
    WantedSignal,
    find_tone_hz,
    tone_s,
    why_no_tone,
)
from sequencer.checks.shared.readings.operator import (
    HAND_BUDGET,
    accuracy_db,
    find_with_person,
    is_by_hand,
    is_read_by_hand,
    reading_times,
)
from sequencer.files.fields import TimeS, between
from sequencer.frozen import dataclass
from sequencer.results.model import Point
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Expected
from sequencer.search.curve_family import DB_PER_NEPER, Family, fm_family, ratio_family
from sequencer.search.curve_prior import CurvePrior
from sequencer.search.fm_sinad import FmCurve
from sequencer.search.protocol import Crossing, Settling
from sequencer.uncertainty.budget import Contribution

# How loudspeaker audio comes to rest after a step: limiter and analyser, some tens of milliseconds. Common practice, no source.
AUDIO_SETTLING = Settling(rise_s=0.015, fall_s=0.015, least_s=0.03, doubt=0.5)
SINAD_RANGE_DB = (0.0, 60.0)
AGC_HINT = "where the AGC acts it raises the noise as soon as the signal is off; '12 dB SINAD' reads both at one gain"
MOST_READINGS = 60
THERMAL_DBM_PER_HZ = -174.0  # kT at 290 K: 1.38e-23 J/K times 290 K
USUAL_NOISE_FIGURE_DB = 8.0  # of a two-way receiver, 4 to 12 dB: common practice, no source
USUAL_BANDWIDTH_HZ = 9000.0
BELOW_AGC_DBM = -118.0  # where no SSB receiver's AGC acts yet: common practice, no source


class SensitivitySettingsBase(WantedSignal):
    """What the checks share that look for the level at which a receiver just hears."""

    target: Target = SensitivityTarget(ratio_db=12.0)
    """When the receiver counts as hearing: SINAD in any mode, (S+N)/N in AM, SSB and CW, quieting in FM."""
    weighting: Weighting = "flat"
    """The filter before the audio meter: flat (none; 30 Hz to 15 kHz of samples), psophometric (ITU-T O.41), C-message."""
    read: Literal["analyser", "samples"] = "analyser"
    """analyser: its own answer; samples: worked out from the audio that it hands over."""
    deemphasis: bool = True
    """FM: whether the unit's audio is de-emphasised (6 dB per octave); helps the search predict, and changes no result."""
    agc_decay_s: Annotated[TimeS, AfterValidator(between(0.0, 10.0, "s"))] = 0.3
    """AM, SSB and CW: time constant with which the AGC recovers from a signal; about is enough, rather too long than too short."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""

    @property
    def target_words(self) -> str:
        """The target with its weighting, as results name it."""
        return str(self.target) if self.weighting == "flat" else f"{self.target}, {self.weighting}"

    def sensitivity_needs(self, conditions: Conditions) -> tuple[str, ...]:
        """Return what the bench file must state for the level found to have an uncertainty."""
        return (*LEVEL_NEEDS, *reading_needs(self.target.kind, conditions.mode))

    def sensitivity_demands(self, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove: levels, a target that the mode knows, samples that somebody hands over."""
        demands = self.levels.demands(conditions)
        if conditions.mode not in self.target.modes:
            usual = {"FM": "'12 dB SINAD' or '20 dB quieting'"}.get(
                conditions.mode, "'10 dB (S+N)/N' or '12 dB SINAD'"
            )
            demands.append(
                Demand(
                    at=("target",),
                    refused=f"{self.target} does not measure a receiver in {conditions.mode}",
                    allowed=f"{usual} in {conditions.mode}; {self.target.kind} in {', '.join(sorted(self.target.modes))}",
                )
            )
        if self.read == "samples" and is_read_by_hand(conditions, "audio_analyser"):
            demands.append(
                Demand(
                    at=("read",),
                    refused="the audio analyser is read by a person, who hands over no samples",
                    allowed="read: analyser",
                )
            )
        return demands

    def sensitivity_forecast_s(self, conditions: Conditions) -> float:
        """Return about how long the search takes, s; readings go with the square of the accuracy."""
        finer = max(0.6, float((0.5 / self.accuracy_db) ** 1.5))
        tone = tone_s(conditions.mode)
        if self.target.kind == "(S+N)/N":
            return tone + (5.0 + 1.5 * finer) * (DECAYS * self.agc_decay_s + 0.5)
        noise_s = 2.5 if self.target.kind == "quieting" else 0.0
        compared_s = 2.0 if self.read == "samples" else 0.0
        searched_s = 1.2 if self.target.kind == "SINAD" else 2.0
        return 0.57 + tone + noise_s + compared_s + searched_s * finer


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityFound:
    """What a search for the sensitivity found.

    ``read_errors`` are what the ratio read may be off by, dB; ``further`` are contributions in dB of level; ``why_not_found`` says why
    there is no crossing to speak of, ``note`` what a reader should know of one.
    """

    crossing: Crossing | None
    points: tuple[Point, ...] = ()
    read_errors: tuple[ReadError, ...] = ()
    further: tuple[Contribution, ...] = ()
    note: str = ""
    why_not_found: str = ""


def find_sensitivity(
    side: ReceiveSide,
    settings: SensitivitySettingsBase,
    conditions: Conditions,
    *,
    doubted_above_dbm: float = UNLIKELY_DBM,
) -> SensitivityFound:
    """Find the level at which the receiver just meets the target.

    One ``doubted_above_dbm`` is proved to be of the generator's signal. Raises UnexpectedReply where it is not.
    """
    window_dbm = settings.levels.bounds_dbm(conditions)
    at_dbm = min(max(CLEARLY_HEARD_DBM, window_dbm[0]), window_dbm[1])
    tone_hz = find_tone_hz(side, settings, conditions, at_dbm=at_dbm, weighting=settings.weighting)
    if tone_hz is None:
        return SensitivityFound(crossing=None, why_not_found=why_no_tone(conditions, at_dbm))
    reader = sensitivity_reader(side, settings, conditions, tone_hz)
    search = sensitivity_search(settings, conditions, window_dbm)
    first_dbm = search.ask.level_db if search.ask is not None else window_dbm[1]
    if why_not_ready := reader.begin(first_dbm):
        return SensitivityFound(crossing=None, why_not_found=why_not_ready)
    stepper = Stepper(side, conditions, reader.read, unit="dB")
    crossing = find_with_person(search, stepper.measure, stepper.points, conditions, "audio_analyser")
    points = tuple(stepper.points)
    if reader.silent:
        return SensitivityFound(crossing=None, points=points, why_not_found=reader.silent)
    if not crossing.found and conditions.mode in UNMODULATED and settings.target.kind == "(S+N)/N":
        return SensitivityFound(
            crossing=None, points=points, why_not_found=f"{why_not(crossing)}; {AGC_HINT}"
        )
    found_dbm = crossing.level_db if crossing.found else None
    is_doubted = found_dbm is not None and found_dbm > doubted_above_dbm
    with conditions.further("that the level is of the generator's signal", wanted=is_doubted) as further:
        if found_dbm is not None and further.takes:
            at_dbm = min(found_dbm + ABOVE_FOUND_DB, window_dbm[1])
            kind = settings.target.kind
            confirm_signal_counts(side, settings, conditions, reader.read, target=kind, at_dbm=at_dbm)
    notes = [f"tone at {tone_hz:.0f} Hz"] if conditions.mode in UNMODULATED else []
    notes.append(further.note)
    if settings.read == "samples" and crossing.found and crossing.level_db is not None:
        notes.append(reader.agreement(crossing.level_db))
    return SensitivityFound(
        crossing=crossing,
        points=points,
        read_errors=reader.read_errors,
        further=reader.contributions(crossing),
        note="; ".join(note for note in notes if note),
    )


def sensitivity_reader(
    side: ReceiveSide, settings: SensitivitySettingsBase, conditions: Conditions, tone_hz: float
) -> SensitivityReader:
    """Return what reads the loudspeaker as the settings define the target."""
    return SensitivityReader(
        side,
        settings,
        conditions,
        tone_hz,
        target=settings.target,
        weighting=settings.weighting,
        read=settings.read,
        agc_decay_s=settings.agc_decay_s,
    )


def sensitivity_search(
    settings: SensitivitySettingsBase, conditions: Conditions, window_dbm: tuple[float, float]
) -> CurveSearch:
    """Return the search for the target."""
    two_readings = settings.target.kind == "(S+N)/N"
    budget = MOST_READINGS
    if is_by_hand(conditions, "audio_analyser"):
        budget = HAND_BUDGET // 2 if two_readings else HAND_BUDGET
    return CurveSearch(
        target=settings.target.ratio_db,
        window_db=window_dbm,
        level_unit="dBm",
        reading_unit="dB",
        accuracy_db=accuracy_db(
            settings.accuracy_db,
            is_stated="accuracy_db" in settings.model_fields_set,
            conditions=conditions,
            reader="audio_analyser",
        ),
        reading_s=reading_times(conditions, "audio_analyser"),
        budget=budget,
        prior=_prior(settings, conditions),
        settling=_settling(settings, conditions),
        reading_range=SINAD_RANGE_DB if settings.target.kind == "SINAD" else None,
        start_db=_start_dbm(settings, conditions, window_dbm),
        expected=_expected(settings, conditions),
    )


def _prior(settings: SensitivitySettingsBase, conditions: Conditions) -> CurvePrior | Family:
    if conditions.mode == "FM" and settings.target.kind == "SINAD":
        return fm_family(
            deviation_hz=settings.deviation_hz,
            deemphasis=settings.deemphasis,
            bandwidth_hz=None,
            tone_hz=settings.tone_hz,
            target_db=settings.target.ratio_db,
        )
    if conditions.mode == "FM":
        return CurvePrior(slope=1.5, slope_sd=0.6, bend=-0.1, bend_sd=0.2, sd_db=0.45, ratio_db=True)
    # Signal over noise rises dB for dB; a reading of 0.1 s holds some 250 samples of noise behind a filter of 2.5 kHz, 50 behind CW's.
    relative = 0.14 if conditions.mode == "CW" else 0.07
    if (
        settings.target.kind == "(S+N)/N"
    ):  # read at two gains, where the AGC acts: no family of curves holds that
        sd_db = DB_PER_NEPER * relative
        return CurvePrior(slope=1.0, slope_sd=0.25, bend=-0.02, bend_sd=0.1, sd_db=sd_db, ratio_db=True)
    return ratio_family(target_db=settings.target.ratio_db, slope=1.0, slope_sd=0.25, relative=relative)


def _expected(settings: SensitivitySettingsBase, conditions: Conditions) -> Expected | None:
    """Return where an FM receiver of an ordinary noise figure would hear, dBm; None where nothing is said of it."""
    if conditions.mode != "FM" or settings.target.kind != "SINAD":
        return None
    usual_dbm = usual_fm_dbm(settings, ratio_db=settings.target.ratio_db, deemphasis=settings.deemphasis)
    return Expected(level_db=usual_dbm, sd_db=5.0)


def usual_fm_dbm(settings: WantedSignal, *, ratio_db: float = 12.0, deemphasis: bool = True) -> float:
    """Return where an FM receiver of an ordinary noise figure hears with so much SINAD, dBm."""
    curve = FmCurve(
        deviation_hz=settings.deviation_hz,
        deemphasis=deemphasis,
        bandwidth_hz=USUAL_BANDWIDTH_HZ,
        tone_hz=settings.tone_hz,
        audio_band_hz=(300.0, 3000.0),
    )
    return THERMAL_DBM_PER_HZ + USUAL_NOISE_FIGURE_DB + curve.level_at(ratio_db)


def _start_dbm(
    settings: SensitivitySettingsBase, conditions: Conditions, window_dbm: tuple[float, float]
) -> float | None:
    """Return where to begin: with the signal on and off, below the AGC's threshold, above which it holds the ratio down."""
    if conditions.mode not in UNMODULATED or settings.target.kind != "(S+N)/N":
        return None
    return min(max(BELOW_AGC_DBM, window_dbm[0]), window_dbm[1])


def _settling(settings: SensitivitySettingsBase, conditions: Conditions) -> Settling:
    if conditions.mode == "AM" and settings.target.kind == "(S+N)/N":  # two readings that one gain must serve
        return Settling(
            rise_s=0.015, fall_s=0.015, least_s=max(0.1, DECAYS * settings.agc_decay_s), doubt=0.5
        )
    return AUDIO_SETTLING
