"""The commands together, and each of them: how they are started, and how they say what is missing."""

from __future__ import annotations

import atexit
import gc
import os
from importlib import import_module
from typing import Any

import click

from sequencer.cli.common.options import end_cut_short
from sequencer.cli.common.outlet import is_full, outlive_readers


class Command(click.Command):
    """A command that says at once everything which is missing, and looks at the sequence it was given before it says so."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Take the arguments. Raises click.UsageError that names all that is missing."""
        given = list(args)
        try:
            return super().parse_args(ctx, args)
        except click.MissingParameter as first:
            raise self._all_missing(ctx, given, first) from None

    def _all_missing(
        self, ctx: click.Context, given: list[str], first: click.MissingParameter
    ) -> click.UsageError:
        said, _, _ = self.make_parser(ctx).parse_args(given)
        missing = [
            param
            for param in self.get_params(ctx)
            if param.required
            and not isinstance(said.get(param.name or ""), str | bool | tuple | list)
            and not isinstance(said.get(getattr(param, "unless", "")), str)
        ]
        if not missing:
            return first
        names = [param.get_error_hint(ctx).strip("'") for param in missing]
        text = f"Missing {', '.join(names)}."
        sequence = said.get("sequence_name")
        if isinstance(sequence, str):
            text += _no_such_sequence(sequence)
        return click.UsageError(text, ctx)


def _no_such_sequence(name: str) -> str:
    """Return what is wrong with the name of a sequence; nothing where there is one."""
    from sequencer.files.find import named_file
    from sequencer.problems import FileProblems

    try:
        named_file(name, "sequence")
    except FileProblems as problems:
        return f"\n\n{problems}"
    return ""


class Program(click.Group):
    """The commands; called without arguments, as the installed script calls it, it is the process's own program."""

    command_class = Command

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.elsewhere: dict[str, str] = {}
        """Commands by name, each with the module that declares it: imported when it is asked for. Help and completion ask for all."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands; it imports none."""
        return sorted({*self.commands, *self.elsewhere})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of this name, imported now if need be; None where there is none."""
        if cmd_name in self.elsewhere and cmd_name not in self.commands:
            module = import_module(self.elsewhere[cmd_name])
            self.add_command(getattr(module, cmd_name.replace("-", "_")), cmd_name)
        return super().get_command(ctx, cmd_name)

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        """Run the command that the process was started with; it ends afterwards."""
        from sequencer.run.interrupt import end_process_after

        end_process_after()
        outlive_readers()
        # One thread for numpy's linear algebra, unless the shell says otherwise: its problems are small here, and more threads cost
        # a sixth of numpy's import and, on a busy machine, most of the time of a reading from samples [measured].
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        # A plug-in of pydantic would have no say here; to look for one through all that is installed is a hundredth of `validate`.
        os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
        # At its end the interpreter looks through all that it holds for circles: a sixth of a simulated run [measured].
        atexit.register(gc.freeze)
        return super().__call__(*arguments, **options)

    def main(self, *arguments: Any, **options: Any) -> Any:
        """Run it; help and complaints, which click writes by itself, end as any other output does where there is no room for it."""
        try:
            return super().main(*arguments, **options)
        except OSError as error:
            if not is_full(error):
                raise
            end_cut_short(error)
