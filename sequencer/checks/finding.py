"""What a check is told of where it stands, what it asks of the bench, and what it found."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.faults import InstrumentFault
from drivers.operator.dial import Dial
from drivers.roles import Identity, Reading
from sequencer.bench.further import TakeFurther, taken
from sequencer.checks.live import LivePerson
from sequencer.frozen import dataclass
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.channel_plan import ChannelPlan
from sequencer.inputs.model import ModelFile
from sequencer.results.model import FaultFacts, Point, Result, Stage
from sequencer.safety.control.supply import SupplyFacts
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.decision import Bound, Limits, shows

if TYPE_CHECKING:
    from sequencer.analysis.own_history import OwnHistory


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file that a check left beside the results table, and the SHA-256 of its bytes (hexadecimal)."""

    path: Path
    sha256: str


def _nowhere(name: str, content: bytes) -> KeptFile:
    raise RuntimeError("no file can be kept outside a run")


def _nobody(name: str, what: str, dial: Dial) -> tuple[Reading, str]:
    raise RuntimeError("nobody can be asked outside a run")


def _no_radio(name: str) -> int:
    raise RuntimeError("no setting can be read outside a run")


def _no_writing(name: str, value: int) -> None:
    raise RuntimeError("no setting can be written outside a run")


def _no_history(serial: str, check: str) -> OwnHistory:
    from sequencer.analysis.own_history import OwnHistory

    return OwnHistory()


def _no_hands(text: str) -> None:
    raise RuntimeError("nobody can make a connection outside a run on the transmit side")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What a check is told of where it stands: the bench, the channel, the mode, and whom to tell of its steps.

    ``plan`` is the sequence's channel plan, ``folder`` the folder its file stands in, ``serial`` the unit's, ``bench_folder`` that of
    the bench file (of a shipped one: where the command was given). A run fills in the rest: ``keep_file`` writes a file beside the
    results table and overwrites none; ``enter`` asks a person for a reading (its name, what to read, on which dial) and returns it
    with how it was given; ``make_connection_anew`` has a person do what a text says to the unit's connection, with the unit neither keyed
    nor fed (transmit side only; raises NotConfirmed); ``identities`` says who answered on the bench. ``live`` is who turns presets, None
    where nobody is there; ``find_turner`` returns what turns the simulated trimmer of a name, on a simulated bench that has it, and
    ``glance`` what the simulated dial of a person's instrument in a role shows.
    ``temperature_c`` is what the unit is brought to before the check, None where nobody asks for one.
    ``keep_found`` keeps what a fault in the rest of the check must not take away; ``warn`` tells what must be known now. ``read_preset``
    and ``write_preset`` are of a setting that the unit stores, by its name; written with PTT released, and read back.
    ``model`` is the unit's model file, where one was chosen. ``find_earlier`` returns what the store holds of a serial on this bench, of
    one check or (empty) of all; ``results_so_far`` what the run has found before this check. ``repeat`` says of a fault whether the part
    of the check that met it is made again, which begins with PTT released: within the run's budget, and told. In a block of ``further`` it
    takes the readings that its limits alone make it take (see `sequencer.bench.further`).
    """

    bench: BenchFile
    channel: int | None
    frequency_hz: float | None
    mode: str
    plan: ChannelPlan | None = None
    model: ModelFile | None = None
    serial: str = ""
    supply_v: float | None = None
    temperature_c: float | None = None
    folder: Path | None = None
    bench_folder: Path | None = None
    run: str = ""
    simulated: bool = False
    identities: Mapping[str, Identity] = field(default_factory=dict)
    say: Callable[[str], None] = field(default=lambda text: None)
    keep_file: Callable[[str, bytes], KeptFile] = _nowhere
    enter: Callable[[str, str, Dial], tuple[Reading, str]] = _nobody
    make_connection_anew: Callable[[str], None] = _no_hands
    live: LivePerson | None = None
    read_preset: Callable[[str], int] = _no_radio
    write_preset: Callable[[str, int], None] = _no_writing
    warn: Callable[[str], None] = field(default=lambda text: None)
    keep_found: Callable[[Iterable[Finding]], None] = field(default=lambda findings: None)
    find_earlier: Callable[[str, str], OwnHistory] = _no_history
    results_so_far: Callable[[], Sequence[Result]] = tuple
    glance: Callable[[str], str] = field(default=lambda role: "")
    find_turner: Callable[[str], Callable[[float], None] | None] = field(default=lambda preset: None)
    repeat: Callable[[InstrumentFault], bool] = field(default=lambda fault: False)
    further: TakeFurther = taken

    @property
    def carrier_hz(self) -> float:
        """The channel's frequency; the plan has proved that a check which asks for it has one."""
        if self.frequency_hz is None:
            raise ValueError("this check was planned without a channel")
        return self.frequency_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterMark:
    """A voltage that a check takes for a mark of the unit's signal meter, ``above_s9_db`` from S9; ``at``: its key in the check."""

    mark: str
    above_s9_db: float
    volts_v: float
    meter: str
    at: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What a check found of one quantity, before it is judged.

    ``value`` and ``limits`` in ``unit``; ``value`` None when nothing could be measured, and then ``note`` says why.
    ``exact``: a count, a word, which has no uncertainty. ``channel`` and ``frequency_hz``: where it was found, if not where the
    step stands (a frequency alone: on no channel).

    ``target``, in ``target_unit``, is what a search looked for, as it was read (12, "dB SINAD"); ``slope`` is the reading's change per
    dB of level there. ``axis`` names what the result stands along beside others ("audio frequency", "supply", "meter mark"), at
    ``axis_value`` in ``axis_unit``. ``nominal``, in ``unit``, is the value that should be. None or empty where there is no such thing.
    """

    quantity: str
    value: float | None
    unit: str
    exact: bool = False
    channel: int | None = None
    frequency_hz: float | None = None
    limits: Limits = field(default_factory=lambda: Limits(lower=None, upper=None))
    budget: Budget | None = None
    note: str = ""
    points: tuple[Point, ...] = ()
    target: float | None = None
    target_unit: str = ""
    slope: float | None = None
    axis: str = ""
    axis_value: float | None = None
    axis_unit: str = ""
    nominal: float | None = None
    supply: SupplyFacts | None = None
    """With what the unit was fed there, where the check fed it otherwise than the sequence."""
    fault: FaultFacts | None = None
    """What an instrument did that left nothing to measure."""
    levels_as_made: bool = False
    """Whether the generator's levels entered as they read back, so that the steps they go in are in the value already."""
    stage: Stage = ""
    """Of what is adjusted: found before (as found) or after it (as left)."""
    untouched: bool = False
    """Of what is as left: whether nothing was moved for it."""
    bound: Bound = ""
    """Whether the value is a bound only: at most, or at least, so much; ``note`` says what hides the rest."""
    on_unit: bool = False
    """Of what could not be measured: whether the unit itself is why, as other readings of the same check show."""

    def noted(self, *notes: str) -> Finding:
        """Return it with ``notes`` added to what it says already."""
        return replace(self, note="; ".join(filter(None, (self.note, *notes))))

    @property
    def counts_against_unit(self) -> bool:
        """Say whether it is a finding against the unit: outside its limits, or not measured because of the unit itself."""
        return self.on_unit if self.value is None else not self.bound and not self.limits.contains(self.value)

    @property
    def conforms(self) -> bool:
        """Say whether a value, or a bound that can show it, violates no limit; uncertainty is left to the decision."""
        return self.value is not None and self.limits.contains(self.value) and shows(self.bound, self.limits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """Something a check will ask of the bench, for the plan to prove before anything is sent.

    ``at`` is the path of the setting it comes from, below the check. Levels are at the antenna connector; that of an
    ``interferer`` comes from the second generator. ``refused`` says why no bench of this kind could do it, ``allowed`` what could be done.
    A level that is not the setting itself says in ``because`` what it is for; ``apart_db`` is how far it lies from the setting where it
    moves with that, so that what is allowed is said of the setting.
    """

    at: tuple[str, ...] = ()
    level_dbm: float | None = None
    interferer: bool = False
    because: str = ""
    apart_db: float | None = None
    power_w: float | None = None
    refused: str = ""
    allowed: str = ""
