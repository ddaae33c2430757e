"""Path loss: a cable, a pad or one of the bench's paths, measured with its own generator and power meter, into a dated table."""

import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, field_validator
from typing_extensions import override

from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.checks.shared.asked.levels import one_level
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing
from sequencer.files.fields import PRINTABLE, FrequencyHz, LevelDbm, RatioDb, between
from sequencer.files.write import is_there, write_beside, write_new
from sequencer.inputs.bench import relative_to
from sequencer.inputs.bench_parts.loss_table import frequency_text, table_text
from sequencer.inputs.stated import Facing, Stated, vswr_of
from sequencer.problems import Complaint, FieldProblem
from sequencer.safety.loss import HandPath, LossSide
from sequencer.safety.remembered.cables import BACK
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.contributions import instrument_accuracy, repeatability

SETTLE_S = 0.2
READING_S = 0.1
STEADY_DB = 0.02  # two powers that agree to this are settled: common practice, no source
PROOF_STEP_DB = 3.0
PROOF_WITHIN_DB = 1.0  # generator's and meter's linearity together: common practice, no source

_ENDS = {
    "receive": ("the generator's end of the receive path", "the end for the unit's antenna connector"),
    "transmit": ("the end for the unit's antenna connector", "the power meter's end of the transmit path"),
    "cable": ("one end of the cable or pad", "its other end"),
}


class PathLossSettings(CheckSettings):
    """Settings of `path_loss`."""

    check: Literal["path_loss"]
    """Which check this is."""
    of: HandPath = "cable"
    """What is measured: a cable or pad by itself, or the bench's receive or transmit path through its switch."""
    name: str = Field(default="", max_length=60)
    """What the cable or pad is called in prompts, results and table; without it the path's name."""
    frequencies_hz: Annotated[tuple[FrequencyHz, ...], *SOME] = Field(alias="frequencies")
    """Where it is measured: [26 MHz, 28 MHz]."""
    level_dbm: LevelDbm = 0.0
    """Level at the generator's connector; the power meter is given this directly, for reference."""
    readings: Annotated[int, AfterValidator(between(2, 20, ""))] = 3
    """Readings of each connection at each frequency."""
    vswr: Annotated[float, AfterValidator(between(1.0, 10.0, ""))] = 1.2
    """Match of both ends of what is measured (1.2: an ordinary cable, common practice, no source)."""
    connectors_db: Annotated[RatioDb, AfterValidator(between(0.0, 10.0, "dB"))] = 0.03
    """Half-width of what making a connector anew may change (0.03 dB: common practice, no source)."""
    file: str | None = Field(default=None, min_length=1, max_length=200, pattern=PRINTABLE)
    """The table to write, beside the bench file, such as losses/receive-{date}.yaml; never over another. Without it none is written."""
    limit: RatioLimit = RatioLimit.unstated()
    """Lowest and highest loss that is right, at every frequency."""

    @field_validator("file")
    @classmethod
    def _stays_beside_the_bench(cls, file: str | None) -> str | None:
        """Refuse what could be written anywhere: a sequence may come from somebody else."""
        away = file is not None and (
            PureWindowsPath(file).anchor or file.startswith(("/", "~")) or ".." in re.split(r"[/\\]", file)
        )
        if file is not None and (away or not PurePosixPath(file).name):
            raise FieldProblem(
                f"'{file}' leads away from the bench file",
                allowed="a name beside the bench file or in a folder below it, such as losses/receive-{date}.yaml",
                hint="to keep tables elsewhere, move the written file there and name it in the bench file's 'loss'",
            )
        return file

    @field_validator("frequencies_hz")
    @classmethod
    def _each_once(cls, frequencies_hz: tuple[float, ...]) -> tuple[float, ...]:
        for number, one in enumerate(frequencies_hz):
            if one in frequencies_hz[:number]:
                raise FieldProblem(
                    f"{frequency_text(one)} stands twice", at=(number,), allowed="each frequency once"
                )
        return frequencies_hz

    @property
    def called(self) -> str:
        """What is measured, in words."""
        return self.name or {"cable": "cable or pad"}.get(self.of, f"{self.of} path")


@dataclass(slots=True)
class _Levels:
    """Readings at the power meter by frequency, dBm, and the step that they show; ``why_not`` says why there are none."""

    found: dict[float, list[float]] = field(default_factory=dict)
    step_db: dict[float, float] = field(default_factory=dict)
    why_not: dict[float, str] = field(default_factory=dict)


class PathLoss(Check[PathLossSettings]):
    """Measure a loss by substitution: generator to power meter directly, then through what is measured.

    A person makes each connection and confirms it; PTT is released and the unit's supply off meanwhile, and the generator is off
    whenever a connector is touched. Generator and meter are the same in both, so that the generator's level error and the
    meter's calibration cancel; what is left is the meter's linearity, repeatability, the connectors and the mismatch. With
    `file` the losses are written as a dated table, which the bench file reads (`paths: {receive: {loss: …}}`).
    """

    name: ClassVar[str] = "path_loss"
    summary: ClassVar[str] = "loss of a cable, pad or path, into a dated table for the bench file"
    side: ClassVar[Side] = "loss"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "power_meter"})
    settings = PathLossSettings

    def roles_of(self, settings: PathLossSettings) -> frozenset[str]:
        """Return the instruments, and the switch where it lies in the path."""
        return self.roles if settings.of == "cable" else self.roles | {"switch"}

    def hand_path(self, settings: PathLossSettings) -> HandPath:
        """Return what is measured."""
        return settings.of

    @override
    def quantities(self, settings: PathLossSettings) -> tuple[tuple[str, str], ...]:
        return tuple((_quantity(settings, one), "dB") for one in settings.frequencies_hz)

    def needs(self, settings: PathLossSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("power_meter.linearity|power", "signal_generator.vswr", "power_meter.vswr")

    def demands(self, settings: PathLossSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses, at the generator's connector."""
        return one_level(settings.level_dbm, step_db=PROOF_STEP_DB)

    @override
    def waits_of(self, settings: PathLossSettings, conditions: Conditions) -> Mapping[str, float]:
        count = len(settings.frequencies_hz)
        return {"signal_generator": 3.0 * count, "power_meter": 1.6 * count}

    def forecast_s(self, settings: PathLossSettings, conditions: Conditions) -> float:
        """Return about how long the readings take, s; moving cables takes what it takes."""
        each_s = SETTLE_S + READING_S * settings.readings
        return 2.0 * (len(settings.frequencies_hz) * each_s + SETTLE_S + READING_S)

    def complaints(self, settings: PathLossSettings, conditions: Conditions) -> list[Complaint]:
        """Return that the table is there already: it is never written over. A simulated one takes another name by itself."""
        path = _table_path(settings, conditions, datetime.now().astimezone())
        if path is None or conditions.simulated or not is_there(path):
            return []
        return [
            Complaint(
                file=str(path),
                message="this loss table is there already, and none is written over",
                allowed="another name as 'file' of path_loss, such as losses/receive-{date}.yaml",
            )
        ]

    def measure_loss(
        self, side: LossSide, settings: PathLossSettings, conditions: Conditions
    ) -> list[Finding]:
        """Have the connections made, read, and write the table."""
        near, far = _ENDS[settings.of]
        called = settings.called
        side.connect(
            "direct",
            f"Reference for {called}: unit switched off and disconnected, and the generator's output connected straight to the power meter",
        )
        reference = _levels(side, settings, conditions, "direct")
        side.connect(
            "through",
            f"{called}: generator connected to {near}, and the power meter to {far}",
        )
        through = _levels(side, settings, conditions, "through")
        side.connect("normal", BACK)
        findings = [
            _finding(settings, conditions, one, reference, through) for one in settings.frequencies_hz
        ]
        return _with_table(findings, settings, conditions)


def _levels(side: LossSide, settings: PathLossSettings, conditions: Conditions, connection: str) -> "_Levels":
    levels = _Levels()
    for frequency_hz in settings.frequencies_hz:
        side.apply(frequency_hz, settings.level_dbm)
        side.wait_s(SETTLE_S)
        readings = [side.read_power_dbm() for _ in range(settings.readings)]
        readings = agreeing(readings, side.read_power_dbm, within=STEADY_DB)
        found = [one.number for one in readings if one.number is not None]
        if len(found) < len(readings):
            state = next(one.state.value for one in readings if one.number is None)
            levels.why_not[frequency_hz] = f"power meter, {connection}: {state}"
        else:
            levels.found[frequency_hz] = found
            levels.step_db[frequency_hz] = step_seen(readings)
            conditions.say(f"{frequency_text(frequency_hz)}, {connection}: {statistics.fmean(found):.2f} dBm")
    _confirm_follows(side, settings, levels)
    side.remove_signal()
    return levels


def _confirm_follows(side: LossSide, settings: PathLossSettings, levels: _Levels) -> None:
    """Raise UnexpectedReply unless the meter falls with the level: one reading more for each connection.

    A difference of two readings of a meter that stands still, or says tenfold decibels, would be a loss like any other.
    """
    frequency_hz = settings.frequencies_hz[-1]
    if frequency_hz not in levels.found:
        return
    side.apply(frequency_hz, settings.level_dbm - PROOF_STEP_DB)
    side.wait_s(SETTLE_S)
    side.confirm_fall(statistics.fmean(levels.found[frequency_hz]), PROOF_STEP_DB, within_db=PROOF_WITHIN_DB)


def _finding(
    settings: PathLossSettings,
    conditions: Conditions,
    frequency_hz: float,
    reference: _Levels,
    through: _Levels,
) -> Finding:
    quantity = _quantity(settings, frequency_hz)
    why_not = reference.why_not.get(frequency_hz) or through.why_not.get(frequency_hz)
    if why_not:
        return Finding(
            quantity=quantity,
            value=None,
            unit="dB",
            frequency_hz=frequency_hz,
            limits=settings.limit.limits,
            note=f"{why_not}; raise 'level', or measure a large pad in parts",
        )
    direct, after = reference.found[frequency_hz], through.found[frequency_hz]
    loss_db = statistics.fmean(direct) - statistics.fmean(after)
    # one meter: 0.0 dBm shows no step, and the other connection does
    step_db = max(reference.step_db[frequency_hz], through.step_db[frequency_hz])
    budget = _budget(quantity, loss_db, direct, after, step_db, settings, conditions)
    return Finding(
        quantity=quantity,
        value=loss_db,
        unit="dB",
        frequency_hz=frequency_hz,
        limits=settings.limit.limits,
        budget=budget,
        note=f"{settings.readings} readings each; the generator's level error cancels",
    )


def _budget(
    quantity: str,
    loss_db: float,
    direct: Sequence[float],
    after: Sequence[float],
    step_db: float,
    settings: PathLossSettings,
    conditions: Conditions,
) -> Budget:
    """Return the budget: what does not cancel between the two connections. ``step_db`` is the step that the readings show.

    Mismatch of a substitution, first order: of the reference Gg Gm, of the insertion Gg G1, G2 Gm and Gg Gm S21 S12 (the usual
    insertion-loss formula; from memory).
    """
    bench, parts = conditions.bench, Parts(conditions.bench)
    linearity = HalfWidth.of(bench, "power_meter", "linearity", "power")
    told = "power meter, linearity"
    if linearity is not None and linearity.keys[0].endswith(".power"):
        told, linearity = (
            "power meter, accuracy in place of a stated linearity",
            linearity.in_db(of_power=True),
        )
    parts.accuracy(told, linearity, unit="dB")
    parts.add(
        repeatability("repeatability, direct", direct, step=step_db, unit="dB"),
        repeatability("repeatability, through", after, step=step_db, unit="dB", coefficient=-1.0),
        # Made anew each time: no other result has the same error.
        instrument_accuracy("connectors made anew", settings.connectors_db, unit="dB", common="none"),
    )
    generator, meter = bench.with_role("signal_generator"), bench.with_role("power_meter")
    if generator is not None and meter is not None:
        source, sink = vswr_of(generator), vswr_of(meter)
        ends = Stated(figure=settings.vswr, key="")  # the check's own setting, which has a default
        passed = min(1.0, float(10.0 ** (-loss_db / 10.0)))
        direct_pair = Facing(
            name="mismatch, generator to meter, direct", one=source, other=sink, with_unit=False
        )
        through = (
            Facing(name="mismatch, generator to its end", one=source, other=ends, with_unit=False),
            Facing(name="mismatch, other end to meter", one=ends, other=sink, with_unit=False),
            replace(direct_pair, name="mismatch, generator to meter, through", transmission=passed),
        )
        parts.mismatches((direct_pair,))
        parts.mismatches(through, coefficient=-1.0)
    return parts.budget(quantity, "dB", loss_db)


def _with_table(findings: list[Finding], settings: PathLossSettings, conditions: Conditions) -> list[Finding]:
    """Write the table, if one is asked for and every loss was measured, and say so in the findings' notes."""
    now = datetime.now().astimezone()
    path = _table_path(settings, conditions, now)
    if path is None:
        return findings
    if any(one.value is None for one in findings):
        return [_noted(one, "no table written: it would be incomplete") for one in findings]
    losses = {
        one.frequency_hz: (one.value, one.budget.expanded)
        for one in findings
        if one.frequency_hz is not None and one.value is not None and one.budget is not None
    }
    text = table_text(
        title=settings.called,
        day=now.date(),
        simulated=conditions.simulated,
        run=conditions.run,
        instruments=_instruments(conditions),
        losses=losses,
    )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # a simulated one is had again in no time, and stands for nothing: it takes the next free name by itself
        content = text.encode("utf-8")
        written = write_beside(path, content) if conditions.simulated else path
        if not conditions.simulated:
            write_new(path, content)
    except OSError as error:
        why = f"{error.strerror or error}: {path}"
        failed = Finding(
            quantity=f"loss table of {settings.called}",
            value=None,
            unit="dB",
            note=f"not written: {why}. The losses stand in the results above",
        )
        return [*findings, failed]
    return [_noted(one, f"table {written}") for one in findings]


def _table_path(settings: PathLossSettings, conditions: Conditions, now: datetime) -> Path | None:
    if settings.file is None or conditions.bench_folder is None:
        return None
    named = settings.file.replace("{date}", now.date().isoformat())
    path = relative_to(conditions.bench_folder / "bench", named)
    return path.with_name(f"{path.stem}-simulated{path.suffix}") if conditions.simulated else path


def _instruments(conditions: Conditions) -> dict[str, Mapping[str, object]]:
    found: dict[str, Mapping[str, object]] = {}
    for role in ("signal_generator", "power_meter"):
        entry = conditions.bench.with_role(role)
        if entry is None:
            continue
        name, instrument = entry
        who = conditions.identities.get(name)
        identity = (
            f"{who.maker} {who.model}, serial {who.serial}, firmware {who.firmware}"
            if who is not None
            else "unknown"
        )
        told: dict[str, object] = {"identity": identity}
        if instrument.calibration is not None:
            told |= {"certificate": instrument.calibration.certificate, "due": instrument.calibration.due}
        found[name] = told
    return found


def _noted(finding: Finding, note: str) -> Finding:
    return replace(finding, note="; ".join(part for part in (finding.note, note) if part))


def _quantity(settings: PathLossSettings, frequency_hz: float) -> str:
    return f"loss of {settings.called}, {frequency_text(frequency_hz)}"
