"""The example of each check: items of a sequence's `checks`, in a folder `examples` beside the check's own module or above it.

A package with checks of its own gives an example in the same way: `examples/<name of the check>.yaml` beside the module.
"""

from __future__ import annotations

from importlib.resources import files
from typing import Any

from sequencer.checks.check import Check
from sequencer.checks.settings import CheckSettings
from sequencer.files.read import read_text
from sequencer.planning.loading.sequence import sequence_model

HEAD = """\
sequence: Example
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 13 W
rated_supply: {min: 10.8 V, max: 15.6 V}
checks:
"""
"""What stands before the items of every example."""


def example_of(check: Check[Any]) -> str:
    """Return the example as it stands in its file; nothing where there is none."""
    package = type(check).__module__.rpartition(".")[0] or type(check).__module__
    while package:
        try:
            file = files(package).joinpath("examples", f"{check.name}.yaml")
            if file.is_file():
                return file.read_text(encoding="utf-8")
        except (OSError, TypeError, ModuleNotFoundError):  # a single module is no package, and has no files
            return ""
        package = package.rpartition(".")[0]
    return ""


def settings_of(example: str, name: str) -> tuple[CheckSettings, ...]:
    """Return the settings of the check ``name`` in an example, which may confirm something before.

    Raises FileProblems with all complaints.
    """
    if not example:
        return ()
    read = read_text(HEAD + example, sequence_model(), file=f"{name}.yaml")
    return tuple(one for one in read.model.checks if one.check == name)
