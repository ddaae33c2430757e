"""`new`: asks a few questions, or takes options, and writes a commented file that validates; for a check or driver, a package."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import click

from sequencer.cli.common.bench import is_terminal
from sequencer.cli.setting_up.new_texts import PACKAGES, PROJECT, TEXTS
from sequencer.files.read import read_text
from sequencer.files.shipped import find_file
from sequencer.files.write import is_there, write_all
from sequencer.frozen import dataclass
from sequencer.inputs.batch import MOST_UNITS
from sequencer.inputs.bench_parts.instrument_roles import ROLES
from sequencer.inputs.channel_plan import read_plan
from sequencer.inputs.names.serial_pattern import SerialPattern
from sequencer.problems import Complaint, FieldProblem, FileProblems, did_you_mean, listed, option_problem
from sequencer.units.parse import QuantityError, parse_quantity

_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", re.ASCII)
_MODULE_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}", re.ASCII)
_NETWORK = re.compile(r"\d{1,3}\.\d{1,3}\.\d{1,3}", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing to be known: the option that answers it, how a person is asked, what is meant without an answer, and its check."""

    option: str
    asks: str
    default: str
    check: Callable[[str, str], None]


def _quantity(dimension: str, least: float, most: float) -> Callable[[str, str], None]:
    def check(option: str, text: str) -> None:
        try:
            number = parse_quantity(text, dimension)
        except QuantityError as error:
            raise option_problem(
                option, error.problem, found=error.found, allowed=error.allowed, hint=error.hint
            ) from error
        if not least <= number <= most:
            raise option_problem(
                option, f"'{text}' is out of range", found=text, allowed=f"{least:g} to {most:g}"
            )

    return check


def _pattern(option: str, text: str) -> None:
    try:
        SerialPattern(text)
    except FieldProblem as problem:
        raise option_problem(option, problem.message, found=text, allowed=problem.allowed) from problem
    if "'" in text:
        raise option_problem(option, "the pattern holds a quote", found=text, allowed="a pattern without '")


def _plan(option: str, text: str) -> None:
    _named(option, text)
    read_plan(find_file(text, "plan"))


def _named(option: str, text: str) -> None:
    if re.fullmatch(r"[\w./-]{1,200}", text) is None:
        raise option_problem(
            option, "this is no file's name", found=text, allowed="letters, digits and _ . / -"
        )


def _sequence(option: str, text: str) -> None:
    _named(option, text)
    find_file(text, "sequence")


def _check(option: str, text: str) -> None:
    from sequencer.checks import check_names

    if text not in check_names():
        raise option_problem(
            option,
            f"no check '{text[:60]}'",
            found=text[:60],
            allowed=listed(check_names()),
            hint=did_you_mean(text, check_names()),
        )


def _model_in(folder: Path) -> Question:
    """Return the question for a sequence's model, as it stands in ``folder``: one's own models beside it go before the shipped ones."""
    from sequencer.planning.loading.model_file import model_beside

    def check(option: str, text: str) -> None:
        _named(option, text)
        if model_beside(folder, text) is None:
            find_file(text, "model")  # says what there is

    question = QUESTIONS["sequence"][0]
    own = model_beside(folder)
    return replace(question, default=own[0] if own else question.default, check=check)


def _serial_of(folder: Path, model: str) -> str:
    """Return a serial such as a model's units have, for an example; a word in capitals where its pattern is no simple one."""
    from sequencer.planning.loading.model_file import model_beside

    found = model_beside(folder, model)
    if found is None:
        return "SERIAL"
    pattern = found[1]
    counted = re.sub(r"\\d\{(\d{1,2})\}", lambda held: "1".rjust(int(held[1]), "0"), str(pattern))
    simple = counted.replace(r"\d", "1")
    return next((one for one in ("M40-0007", simple) if pattern.fits(one)), "SERIAL")


def _network(option: str, text: str) -> None:
    if _NETWORK.fullmatch(text) is None or any(int(part) > 255 for part in text.split(".")):
        raise option_problem(
            option,
            f"'{text}' is not the first three numbers of an address",
            found=text,
            allowed="such as 192.168.1; the instruments' own numbers are filled in in the file",
        )


def _role(option: str, text: str) -> None:
    if text not in ROLES:
        raise option_problem(
            option, f"no role '{text}'", found=text, allowed=listed(ROLES), hint=did_you_mean(text, ROLES)
        )


def _target(option: str, text: str) -> None:
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= MOST_UNITS):
        raise option_problem(option, "this is no number of units", found=text, allowed=f"1 to {MOST_UNITS}")


_SUPPLY = Question(
    option="--supply", asks="What is it fed with?", default="13.2 V", check=_quantity("voltage", 0.5, 60.0)
)
QUESTIONS: Mapping[str, tuple[Question, ...]] = {
    "model": (
        Question(
            option="--serials",
            asks="Which serials have its units (\\d stands for a digit)?",
            default="",  # of its name, see below
            check=_pattern,
        ),
        Question(option="--channels", asks="Which channel plan?", default="plans/cept-40.yaml", check=_plan),
        _SUPPLY,
        Question(
            option="--power",
            asks="The most power a sound unit gives?",
            default="4 W",
            check=_quantity("power", 1e-3, 1e5),
        ),
        Question(
            option="--drive",
            asks="Microphone drive for normal test modulation?",
            default="10 mV",
            check=_quantity("voltage", 1e-6, 10.0),
        ),
        Question(
            option="--s9",
            asks="Voltage on its meter line at S9?",
            default="2.25 V",
            check=_quantity("voltage", -100.0, 100.0),
        ),
    ),
    "sequence": (
        Question(
            option="--model",
            asks="For which model, where nothing chooses another?",
            default="m40",
            check=_named,  # and more where its folder is known, see `_model_in`
        ),
    ),
    "bench": (
        Question(
            option="--network",
            asks="First three numbers of the instruments' addresses?",
            default="192.0.2",
            check=_network,
        ),
        Question(
            option="--supply-max",
            asks="The highest voltage of the supply?",
            default="16 V",
            check=_quantity("voltage", 0.5, 1000.0),
        ),
        Question(
            option="--rating",
            asks="What may load or pad be given?",
            default="50 W",
            check=_quantity("power", 1e-3, 1e5),
        ),
    ),
    "gauge": (
        Question(
            option="--sequence",
            asks="Which sequence measures?",
            default="fm-mobile-acceptance",
            check=_sequence,
        ),
        Question(option="--measure", asks="Which of its checks?", default="carrier_power", check=_check),
    ),
    "batch": (
        Question(
            option="--sequence",
            asks="Which sequence is every unit tested with?",
            default="fm-mobile-acceptance",
            check=_sequence,
        ),
        Question(option="--target", asks="How many units is it to have?", default="100", check=_target),
        Question(
            option="--serials",
            asks="Which serials belong to it (\\d stands for a digit)?",
            default=r"M40-\d{4}",
            check=_pattern,
        ),
    ),
    "check": (),
    "driver": (
        Question(option="--role", asks="Which instrument does it drive?", default="power_meter", check=_role),
    ),
}
"""What is asked for each kind of file, in order."""


def new_command(kind: str, name: str, *, into: Path, given: Mapping[str, str | None]) -> None:
    """Write a new file or package called ``name`` into the folder ``into``; ``given`` are the options by name, None where left out."""
    _check_name(kind, name)
    own = {one.option for one in QUESTIONS[kind]}
    for option, text in given.items():
        if text is not None and option not in own:
            raise option_problem(
                option,
                f"a {kind} has no such question",
                found=text,
                allowed=listed(sorted(own)) or "no option",
            )
    questions = (_model_in(into),) if kind == "sequence" else QUESTIONS[kind]
    answers = {one.option: _answer(one, given.get(one.option), name) for one in questions}
    contents = _package(kind, name, answers) if kind in PACKAGES else _file(kind, name, answers)
    if there := [path for path in contents if is_there(into / path)]:
        raise FileProblems(
            Complaint(
                file=str(into / path),
                message="there is a file of this name already; nothing was written",
                allowed="a name that is free, or another folder with --into",
            )
            for path in there
        )
    written = write_all(
        {into / path: text.encode() for path, text in contents.items()},
        kind=f"a new {kind}",
        force=False,
        is_own=lambda path: False,
    )
    for path in written:
        click.echo(str(path))
    click.echo(_next(kind, name, into, answers), err=True)


def _check_name(kind: str, name: str) -> None:
    packaged = kind in PACKAGES
    if (_MODULE_NAME if packaged else _FILE_NAME).fullmatch(name):
        if packaged and kind == "check":
            from sequencer.checks import check_names

            if name in check_names():
                raise option_problem(
                    "NAME", f"there is a check '{name}' already", found=name, allowed="another name"
                )
        return
    letters = "small letters, digits and _, a letter first" if packaged else "letters, digits, - and _"
    raise option_problem(
        "NAME", f"'{name[:60]}' is no name of a {kind}", found=name[:60], allowed=f"1 to 40 {letters}"
    )


def _answer(question: Question, given: str | None, name: str) -> str:
    """Return an answer: the option's, a person's, or what is meant without one. Raises InputError for a wrong option."""
    default = question.default or rf"{name}-\d{{4}}"
    if given is not None:
        question.check(question.option, given.strip())
        return given.strip()
    if not is_terminal(sys.stdin):
        return default
    while True:
        text = click.prompt(question.asks, default=default, err=True).strip()
        try:
            question.check(question.option, text)
        except FileProblems as problems:
            click.echo(str(problems), err=True)
        else:
            return text


def _file(kind: str, name: str, answers: Mapping[str, str]) -> dict[str, str]:
    """Return the text of a file by its path, which has been read as what it is."""
    said = {option.removeprefix("--").replace("-", "_"): text for option, text in answers.items()}
    if kind == "model":
        channels = read_plan(find_file(said["channels"], "plan")).channels
        said |= {"rated_power": said.pop("power"), "low": str(channels[0]), "high": str(channels[-1])}
        said["middle"] = str(channels[len(channels) // 2])
    text = TEXTS[kind].format(name=name, **said)
    path = f"models/{name.lower()}.yaml" if kind == "model" else f"{name}.yaml"
    _prove(kind, text, path)
    return {path: text}


def _prove(kind: str, text: str, path: str) -> None:
    """Read what will be written as what it is to be. Raises FileProblems, which should not happen: each answer was checked."""
    if kind == "model":
        from sequencer.planning.loading.model_limits import model_of_file

        read_text(text, model_of_file, file=path)
    elif kind == "bench":
        from sequencer.inputs.bench_models import bench_model_of

        read_text(text, bench_model_of, file=path)
    elif kind == "batch":
        from sequencer.inputs.batch import BatchFile

        read_text(text, BatchFile, file=path)
    elif kind == "gauge":
        from sequencer.inputs.gauge_file import GaugeFile

        read_text(text, GaugeFile, file=path)


def _package(kind: str, name: str, answers: Mapping[str, str]) -> dict[str, str]:
    """Return the files of a package by path: its project, its module and a test."""
    title = "".join(part.capitalize() for part in name.split("_"))
    role = answers.get("--role", "")
    facts = {
        "name": name,
        "words": name.replace("_", " "),
        "title": title,
        "package": f"workshop_{name}",
        "project": f"workshop-{name.replace('_', '-')}",
        "group": f"{kind}s",
        "role": role,
        "role_words": role.replace("_", " "),
        "module": role,
        "base": "Profiled" + "".join(part.capitalize() for part in role.split("_")),
    }
    module, test = (text.format(**facts) for text in PACKAGES[kind])
    return {
        f"{name}/pyproject.toml": PROJECT.format(**facts),
        f"{name}/{facts['package']}/__init__.py": module,
        f"{name}/tests/test_{name}.py": test,
    }


def _next(kind: str, name: str, into: Path, answers: Mapping[str, str]) -> str:
    """Return what to do with what was written."""
    if kind in PACKAGES:
        return f"Next: pip install -e {into / name}, then python -m pytest {into / name}"
    if kind == "model":
        return "Next: look through the limits. A serial of its pattern chooses it now."
    if kind == "sequence":
        serial = _serial_of(into, answers["--model"])
        return f"Next: sequencer run {into / f'{name}.yaml'} --bench bench --serial {serial} --dry-run --confirmed"
    if kind == "gauge":
        return f"Next: write in your units and operators; then sequencer gauge {into / f'{name}.yaml'} --bench bench"
    if kind == "batch":
        sequence = answers["--sequence"]
        return f"Next: sequencer run {sequence} --bench bench --batch {into / f'{name}.yaml'} --serial SERIAL; then sequencer batch {name}"
    return f"Next: fill in addresses, losses and accuracies; then sequencer identify --bench {into / f'{name}.yaml'}"
