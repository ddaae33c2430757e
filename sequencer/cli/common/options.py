"""What several commands take alike: options, what their values may be, and how wrong input is told."""

from __future__ import annotations

import gc
import io
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import wraps
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from sequencer.cli.common.complete import names_of
from sequencer.cli.common.outlet import into_nothing, is_full

INPUT_WRONG = 2
INTERRUPTED = 4
STORE_BUSY = 5
MODEL_MAX = 64
LONGEST_TEXT = 4096
"""Characters that an argument or option takes: as long as a path may be on Linux (PATH_MAX)."""
NAMES_OF_FILES = ("sequence_name", "bench_name", "plan_name", "store")
"""What names a file, which may hold bytes that are no text."""
CHANNEL = click.IntRange(0, 99_999)
"""A channel's number, as plans and sequences have them."""
F = TypeVar("F", bound=Callable[..., Any])


class RenamedOption(click.Option):
    """An option that also answers to the name it had before, which help does not show."""

    def __init__(self, *names: Any, formerly: str, **settings: Any) -> None:
        super().__init__(*names, **settings)
        self._formerly = formerly

    def add_to_parser(self, parser: Any, ctx: click.Context) -> None:
        """Let the parser know both names."""
        super().add_to_parser(parser, ctx)
        parser.add_option(obj=self, opts=[self._formerly], dest=self.name, action="store", nargs=1)


class UnlessOption(click.Option):
    """A required option that may be left out where another is given, which click must read first (`is_eager`)."""

    def __init__(self, *names: Any, unless: str, **settings: Any) -> None:
        super().__init__(*names, required=True, **settings)
        self.unless = unless

    def process_value(self, ctx: click.Context, value: Any) -> Any:
        """Take the value; none where the other option stands in its place."""
        other = ctx.params.get(self.unless)
        if self.value_is_missing(value) and other is not None and not self.value_is_missing(other):
            return None
        return super().process_value(ctx, value)


folder_option = click.option(
    "--folder",
    cls=RenamedOption,
    formerly="--results",
    type=click.Path(path_type=Path),
    default=Path("results"),
    show_default=True,
    help="Folder of results tables and store.",
)
store_option = click.option(
    "--store",
    metavar="FILE|ADDRESS",
    default="",
    envvar="SEQUENCER_STORE",
    show_envvar=True,
    help="Store, where it is not results.sqlite in the results folder: a file, or postgresql+psycopg://user@host/database.",
)
as_json_option = click.option(
    "--json", "as_json", is_flag=True, help="Write JSON to standard output, for a program to read."
)
bench_option = click.option(
    "--bench",
    "bench_name",
    required=True,
    metavar="FILE",
    shell_complete=names_of("bench"),
    help="Bench file, or a shipped one's name.",
)

model_option = click.option(
    "--model",
    default="",
    metavar="NAME",
    shell_complete=names_of("model"),
    help="Model of the unit: the name or path of a model file, or a text for the results; without it the serial chooses.",
)
only_option = click.option(
    "--only",
    multiple=True,
    metavar="CHECK",
    help="Only this check of the sequence, such as sensitivity, after its preparation; may be given more than once.",
)
order_option = click.option(
    "--order",
    type=click.Choice(["written", "quickest"]),
    default="written",
    show_default=True,
    help="quickest: fill the rests that key_duty owes, where it is proved that the order does not matter.",
)


def clear_errors(command: F) -> F:
    """Show what is wrong with the input in plain words on standard error, with status 2; with 5 where the store is busy."""

    @wraps(command)
    def guarded(*arguments: Any, **options: Any) -> Any:
        # What is imported stays, some 110,000 objects in a simulated run: looking through them for rubbish as they grew was a tenth of it.
        gc.set_threshold(200_000)
        from sequencer.problems import FileProblems

        for stream in (sys.stdout, sys.stderr):
            if isinstance(
                stream, io.TextIOWrapper
            ):  # µ and ± must not end a run on a terminal that has neither
                stream.reconfigure(errors="replace")
        try:
            refuse_texts(options)
            return command(*arguments, **options)
        except FileProblems as problems:
            click.echo(str(problems), err=True)
            sys.exit(INPUT_WRONG)
        except KeyboardInterrupt:  # while nothing was open yet; a run that has begun ends in its own way
            click.echo("Interrupted before anything was sent to the bench.", err=True)
            sys.exit(INTERRUPTED)
        except OSError as error:
            if not is_full(error):
                raise
            end_cut_short(error)
        except Exception as error:
            from sequencer.results.store.problems import StoreProblem

            if not isinstance(error, StoreProblem):
                raise
            click.echo(str(error.as_file_problem()), err=True)
            sys.exit(STORE_BUSY if error.is_busy else INPUT_WRONG)

    return guarded  # type: ignore[return-value]


def end_cut_short(error: OSError) -> NoReturn:
    """End with status 2 a command whose output found no room, and say so where that can still be said."""
    into_nothing(sys.stdout)
    with suppress(OSError):
        click.echo(_cut_short(error), err=True)
    into_nothing(sys.stderr)
    sys.exit(INPUT_WRONG)


def refuse_texts(options: Mapping[str, Any]) -> None:
    """Refuse a text that is nobody's name: too long, or with what no store and no screen takes. Raises InputError."""
    for name, given in options.items():
        for one in given if isinstance(given, tuple) else (given,):
            if not isinstance(one, str):  # what is a path is opened, and complained of there
                continue
            if len(one) > LONGEST_TEXT:
                wrong = f"a text of {len(one)} characters"
            elif "\0" in one or (name not in NAMES_OF_FILES and not one.isascii() and _is_no_text(one)):
                wrong = "the text contains an invalid character"
            else:
                continue
            raise _text_problem(name, wrong, one)


def _is_no_text(text: str) -> bool:
    """Say whether ``text`` holds bytes of a command line that are not UTF-8."""
    return any("\ud800" <= character <= "\udfff" for character in text)


def _text_problem(name: str, wrong: str, given: str) -> Exception:
    from sequencer.problems import option_problem

    context = click.get_current_context(silent=True)
    params = () if context is None else context.command.params
    called = next((one.opts[0] for one in params if one.name == name), name)
    return option_problem(
        called if called.startswith("-") else called.upper(),
        wrong,
        found=given[:40],
        allowed=f"at most {LONGEST_TEXT} characters of UTF-8 text",
        hint="look at what was put in here: a file's content in place of its name?",
    )


def _cut_short(error: OSError) -> str:
    where = f" to {error.filename}" if error.filename else ""
    return (
        f"cannot be written{where}: {error.strerror}; what stands there is cut short. "
        "Make room on that disk, or send the output elsewhere, and call the command again."
    )


def check_serial(serial: str) -> str:
    """Return the serial if it can name a file and a row. Raises InputError: where, what, what is allowed."""
    from sequencer.inputs.names.serial import SERIAL_ALLOWED, wrong_with_serial
    from sequencer.problems import option_problem

    stripped = serial.strip()
    if not (wrong := wrong_with_serial(stripped)):
        return stripped
    raise option_problem(
        "--serial",
        wrong,
        found=stripped[:40],
        allowed=SERIAL_ALLOWED,
        hint="take it from the unit's type plate, such as M40-0007",
    )


def check_model(model: str) -> str:
    """Return the model if it can stand on a screen and in a row. Raises InputError."""
    from sequencer.problems import option_problem

    stripped = model.strip()
    if stripped.endswith((".yaml", ".yml")):
        return stripped  # a model file, which is looked for
    if len(stripped) <= MODEL_MAX and stripped.isprintable():
        return stripped
    wrong = f"has {len(stripped)} characters" if stripped.isprintable() else "holds a control character"
    raise option_problem(
        "--model",
        f"the model {wrong}",
        found=stripped[:40],
        allowed=f"at most {MODEL_MAX} printable characters",
    )
