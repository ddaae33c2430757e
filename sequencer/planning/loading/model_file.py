"""Loads model files, each with its channel plan, and chooses the one that is meant: by its name, or by the unit's serial.

Looked for in the folder `models` beside the sequence, then beside the bench file, then among the shipped ones; a serial chooses a
shipped model only where none of one's own fits it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from sequencer.files.find import file_hash, file_named_in
from sequencer.files.ordinary import is_ordinary, is_there, no_file_but
from sequencer.files.read import read_file, read_utf8
from sequencer.files.shipped import is_shipped, shipped_files
from sequencer.files.yaml_tree import Source, compose
from sequencer.frozen import dataclass
from sequencer.inputs.channel_plan import ChannelPlan, read_plan
from sequencer.inputs.model import CHANNEL_WORDS, ModelFile
from sequencer.inputs.names.serial_pattern import SerialPattern
from sequencer.planning.loading.model_limits import model_of_file
from sequencer.planning.loading.targets import target_complaints
from sequencer.problems import (
    Complaint,
    FieldProblem,
    FileProblems,
    did_you_mean,
    listed,
    option_problem,
    printable,
)

FOLDER = "models"
"""The folder, beside a sequence or a bench file, in which models are looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedModel:
    """A model file with its channel plan, where it stands, and a hash of its text."""

    model: ModelFile
    source: Source
    path: Path
    plan: ChannelPlan | None
    hash: str
    by_default: bool = False
    """Whether nothing but the sequence's `model_by_default` chose it: the unit need not be of it."""
    by_chance: bool = False
    """Whether it is a shipped one that nothing but the serial chose: a workshop's own radio may be numbered alike."""

    @property
    def shipped(self) -> bool:
        """Whether it is one of those shipped, and none of one's own."""
        return is_shipped(self.path, "model")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """By what a model is chosen: ``name`` as it was given with --model, the unit's ``serial``, and where own models may lie."""

    name: str = ""
    serial: str = ""
    bench_folder: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is known of a model file before it is held against the model: enough to choose it."""

    path: Path
    name: str
    pattern: SerialPattern
    source: Source
    shipped: bool

    @property
    def where(self) -> str:
        return f"{self.source.where('serials')} ({self.pattern})"


def load_model(path: Path) -> LoadedModel:
    """Return the model in the file at ``path``, with its plan. Raises FileProblems with all complaints."""
    read = read_file(path, model_of_file)
    model, source, plan = read.model, read.source, None
    if model.channels is not None:
        plan = read_plan(file_named_in(model.channels, "plan", path, source, ("channels",)))
    if complaints := [*_channel_complaints(model, source, plan), *target_complaints(model, source)]:
        raise FileProblems(complaints)
    return LoadedModel(model=model, source=source, path=path, plan=plan, hash=file_hash(path))


def _channel_complaints(model: ModelFile, source: Source, plan: ChannelPlan | None) -> Iterator[Complaint]:
    """Yield what is said of channels that the model's plan has not."""
    named: dict[tuple[str, ...], int | None] = {
        ("presets", name, "channel"): one.channel for name, one in model.presets.items()
    }
    if model.test_channels is not None:
        named |= {("test_channels", word): getattr(model.test_channels, word) for word in CHANNEL_WORDS}
    for at, channel in named.items():
        if channel is not None and plan is not None and channel not in plan.frequencies_hz:
            yield source.complain(
                at, f"channel {channel} is not in the plan {plan.name!r}", allowed=plan.described
            )


def choose_model(wanted: Wanted, sequence: Path, source: Source) -> LoadedModel | None:
    """Return the model that is meant; None where nothing names or fits one.

    A name (--model, or the sequence's `model`) goes before the serial. One that is no model file's is none. Raises FileProblems where two
    are meant, or a file among one's own models cannot be read.
    """
    in_file = _named_in(source, "model")
    known, spoilt = _known_models(wanted, sequence)
    if spoilt:  # what cannot be read may be the one that is meant, and another would decide in its place
        raise FileProblems(spoilt)
    by_name = _by_name(wanted.name, known) if wanted.name else None
    by_file = _by_name(in_file, known) if in_file else None
    if in_file and by_file is None:
        raise FileProblems([_no_such_model(in_file, "model", source, known)])
    if by_name is not None and by_file is not None and by_name.path != by_file.path:
        place = source.where("model")
        raise option_problem(
            "--model",
            f"{wanted.name!r} is the model in {by_name.path}, and the sequence is for {in_file!r} ({place})",
            allowed="one of the two",
        )
    named = by_name or by_file
    if wanted.name and named is None:
        _refuse_path(wanted.name, known)
        default = _by_default(source, known)  # a text for the results, as ever
        if default is not None:
            _refuse_mistyped(wanted.name, default, known)
        return default
    if named is not None and named.pattern.fits(wanted.serial):
        return load_model(named.path)
    by_serial = _by_serial(wanted.serial, known) if wanted.serial else None
    if named is not None:
        _refuse_another(named, by_serial, wanted)
        return load_model(named.path)
    if by_serial is not None:
        return replace(load_model(by_serial.path), by_chance=by_serial.shipped)
    return _by_default(source, known)


def _refuse_path(name: str, known: Iterable[_Known]) -> None:
    """Refuse a text for the results that is plainly a file's name: nobody calls a model so. Raises FileProblems."""
    stands = is_there(name) and "/" in name
    if not stands and not name.endswith((".yaml", ".yml")):
        return
    wrong = no_file_but(Path(name)) or (
        "a model file's name ends in .yaml" if stands else "there is no such model file"
    )
    raise option_problem(
        "--model",
        f"{printable(name)[:60]!r}: {wrong}",
        found=name,
        allowed="a model file, or the name of one: " + listed(one.name for one in known),
        hint=did_you_mean(Path(name).stem, (one.path.stem for one in known)),
    )


def _refuse_mistyped(name: str, default: LoadedModel, known: Iterable[_Known]) -> None:
    """Refuse a text that is nearly a model's name where another model's limits would judge the unit. Raises FileProblems."""
    if hint := did_you_mean(name.casefold(), (one.name.casefold() for one in known)):
        raise option_problem(
            "--model",
            f"no model is called {printable(name)[:60]!r}, and the unit would be judged as a {default.model.model}, "
            "the sequence's model_by_default",
            allowed=listed(one.name for one in known) + ", or a text that is like none of them",
            hint=hint,
        )


def _by_default(source: Source, known: Iterable[_Known]) -> LoadedModel | None:
    """Return the model of `model_by_default`; None where the sequence names none."""
    text = _named_in(source, "model_by_default")
    if not text:
        return None
    found = _by_name(text, known)
    if found is None:
        raise FileProblems([_no_such_model(text, "model_by_default", source, known)])
    return replace(load_model(found.path), by_default=True)


def fits_own_model(serial: str, sequence: Path, bench_folder: Path | None) -> bool | None:
    """Say whether a serial fits a model of one's own; None where there is none of one's own. Raises FileProblems as `choose_model`."""
    known, spoilt = _known_models(Wanted(bench_folder=bench_folder), sequence)
    if spoilt:
        raise FileProblems(spoilt)
    own = [one for one in known if not one.shipped]
    return any(one.pattern.fits(serial) for one in own) if own else None


def described_models(wanted: Wanted, sequence: Path) -> str:
    """Return the models there are, as a complaint lists them: name and pattern."""
    known, _ = _known_models(wanted, sequence)
    return listed(f"{one.name} ({one.pattern})" for one in known)


def model_beside(folder: Path, text: str = "") -> tuple[str, SerialPattern] | None:
    """Return file name, without its ending, and pattern of the model that ``text`` names for a sequence in ``folder``.

    Without ``text`` it is the first of one's own. None where there is none. Raises FileProblems where one's own cannot be read.
    """
    known, spoilt = _known_models(Wanted(), folder / "sequence.yaml")
    if spoilt:
        raise FileProblems(spoilt)
    found = _by_name(text, known) if text else next((one for one in known if not one.shipped), None)
    return None if found is None else (found.path.stem, found.pattern)


def _named_in(source: Source, key: str) -> str:
    if key not in source.root.entries:
        return ""
    named = source.find((key,)).scalar
    return named if isinstance(named, str) else ""


def _known_models(wanted: Wanted, sequence: Path) -> tuple[list[_Known], list[Complaint]]:
    """Return what can be chosen from, one's own first, and what is wrong with files of which not even that can be read."""
    known: dict[Path, _Known] = {}
    spoilt: list[Complaint] = []
    shipped = {path.resolve() for path in shipped_files("model")}
    for path in (*_own(sequence.parent), *_own(wanted.bench_folder), *sorted(shipped)):
        if path.resolve() in known:
            continue
        try:
            known[path.resolve()] = _known(path, shipped=path.resolve() in shipped)
        except FileProblems as problems:
            allowed = f"a whole model file; what is none does not belong into '{FOLDER}'"
            spoilt += [replace(one, allowed=one.allowed or allowed) for one in problems.complaints]
    return sorted(known.values(), key=lambda one: one.shipped), spoilt


def _own(folder: Path | None) -> list[Path]:
    if folder is None or not (folder / FOLDER).is_dir():
        return []
    try:
        found = [path for path in (folder / FOLDER).iterdir() if path.suffix.lower() in (".yaml", ".yml")]
    except OSError as error:
        why = f"the models in it cannot be listed: {error.strerror}"
        raise FileProblems(
            [Complaint(file=str(folder / FOLDER), message=why, allowed="a folder that may be read")]
        ) from error
    return sorted(path for path in found if not path.name.startswith("."))[:1000]


def _known(path: Path, *, shipped: bool) -> _Known:
    source, complaints = compose(read_utf8(path), str(path))
    if source is None or complaints or source.root.kind != "mapping":
        raise FileProblems(
            complaints or [Complaint(file=str(path), message="this is no model file", allowed="a model file")]
        )
    texts = {key: source.find((key,)).scalar for key in ("model", "serials") if key in source.root.entries}
    name, pattern = texts.get("model"), texts.get("serials")
    if not isinstance(name, str) or not isinstance(pattern, str):
        read_file(path, model_of_file)  # says what is wrong
        raise FileProblems([source.complain((), "this is no model file", allowed="'model' and 'serials'")])
    try:
        held = SerialPattern(pattern)
    except FieldProblem as problem:
        raise FileProblems(
            [source.complain(("serials",), problem.message, found=pattern, allowed=problem.allowed)]
        ) from problem
    return _Known(path=path, name=name, pattern=held, source=source, shipped=shipped)


def _by_name(text: str, known: Iterable[_Known]) -> _Known | None:
    """Return the model that ``text`` names: a path, a file's name, or the name that stands in one."""
    with suppress(OSError, ValueError):
        if text.endswith((".yaml", ".yml")) and is_ordinary(text):
            return _known(Path(text), shipped=False)
    stem = text.removesuffix(".yaml").removesuffix(".yml").removeprefix(f"{FOLDER}/")
    return next((one for one in known if stem == one.path.stem or text == one.name), None)


def _by_serial(serial: str, known: Iterable[_Known]) -> _Known | None:
    fitting = [one for one in known if one.pattern.fits(serial)]
    fitting = [one for one in fitting if not one.shipped] or fitting
    if len(fitting) > 1:
        places = " and ".join(one.where for one in fitting[:3])
        raise option_problem(
            "--serial",
            f"the serial {serial!r} fits more than one model: {places}",
            found=serial,
            allowed="patterns of which one fits; or the model's name with --model",
        )
    return fitting[0] if fitting else None


def _refuse_another(named: _Known, by_serial: _Known | None, wanted: Wanted) -> None:
    """Refuse a serial that is another model's than the one that was named; one that is nobody's may have lost its plate."""
    if by_serial is None:
        return
    raise option_problem(
        "--serial",
        f"the serial {wanted.serial!r} is that of model {by_serial.name} ({by_serial.where}), and {named.name} is named "
        f"({named.where})",
        found=wanted.serial,
        allowed="the model of this serial, or a serial of the model that is named",
    )


def _no_such_model(text: str, key: str, source: Source, known: Iterable[_Known]) -> Complaint:
    names = [one.path.stem for one in known]
    return source.complain(
        (key,),
        f"no such model file: {printable(text)!r}",
        found=text,
        allowed=f"a path, or one of {listed(names)}",
        hint=did_you_mean(text, [*names, *(one.name for one in known)]),
    )
