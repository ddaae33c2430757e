"""The page of all checks."""

from __future__ import annotations

import re
import sys
from typing import Any

from sequencer.checks import all_checks
from sequencer.checks.check import Check
from sequencer.checks.settings import CheckSettings
from sequencer.reference.examples import HEAD, example_of, settings_of
from sequencer.reference.markdown import code, link, page, prose, sentence, table
from sequencer.reference.settings_table import settings_table
from sequencer.units.parse import DIMENSIONS

MODES = ("FM", "AM", "USB", "LSB", "CW")
COMMON = frozenset(CheckSettings.model_fields)
SIDES = {
    "none": ("Without RF", "PTT is not pressed and no generator is switched on."),
    "transmit": (
        "Transmit side",
        "The generator is off, the unit's connector is on load and meters, and then PTT is pressed.",
    ),
    "receive": ("Receive side", "PTT is released, and the unit's connector is on the generator."),
    "loss": (
        "Bench, connected by hand",
        "A person connects generator and power meter; the unit's supply is off.",
    ),
}
SIDE_ROLES = {
    "receive": ("radio", "switch", "signal_generator"),
    "transmit": ("radio", "switch"),
    "loss": ("signal_generator", "power_meter"),
}
"""What a side itself takes, beside what its check names: held against the plan by a test."""
INTRODUCTION = """\
# Checks

Written by `sequencer reference checks` from the checks themselves, those of installed packages among them; do not edit it by hand.

A sequence lists checks under `checks:`. Each stands below with what it needs, its settings, what it reports, and an example: one or
more items to put under `checks:` of a sequence such as this one.

{head}

Every quantity carries its unit in the text. A setting's unit below is the one its limits, and the results, are in; any of these will do:

{units}

A setting with a point in its name stands inside another: `limit.max` is written `limit: {{max: 4 W}}`. Where the default is empty
and the setting is not needed, what then holds stands under its meaning; a limit that is left out judges nothing.

Every check takes these settings beside its own:

{common}
"""


def checks_page() -> str:
    """Return the page. Raises FileProblems for an example that is no sequence."""
    checks = all_checks()
    by_side = {side: [one for one in checks.values() if one.side == side] for side in SIDES}
    parts = [
        INTRODUCTION.format(
            head=_fenced(HEAD + "  - …\n"), units=_units(), common=settings_table(CheckSettings)
        ).rstrip()
    ]
    for side, members in by_side.items():
        rows = [(link(one.name), sentence(one.summary)) for one in members]
        parts += (
            [f"**{SIDES[side][0]}.** {SIDES[side][1]}", table(("check", "what it measures"), rows)]
            if members
            else []
        )
    parts += [_section(one) for members in by_side.values() for one in members]
    return page(*parts)


def _units() -> str:
    rows = [
        (re.sub(r"^an? ", "", one.name), one.unit, ", ".join(map(code, one.units)), code(one.example))
        for one in DIMENSIONS.values()
    ]
    return table(("type", "unit", "may be written in", "example"), rows)


def _section(check: Check[Any]) -> str:
    example = example_of(check)
    given = settings_of(example, check.name)
    own = settings_table(check.settings, without=COMMON)
    return "\n\n".join(
        part
        for part in (
            f"## {check.name}",
            sentence(check.summary),
            _procedure(check),
            _facts(check, given),
            own or "It has no settings of its own.",
            _reports(check, given),
            f"Example:\n\n{_fenced(_indented(example))}" if example else "",
        )
        if part
    )


def _procedure(check: Check[Any]) -> str:
    """Return how it is done and by what convention, from the docstrings of check, settings and module."""
    of_settings = re.sub(r"^Settings of `[^`]*`\.\s*", "", prose(check.settings.__doc__))
    module = sys.modules[type(check).__module__]
    alone = sum(type(one).__module__ == module.__name__ for one in all_checks().values()) == 1
    of_module = prose(module.__doc__).partition("\n\n")[2] if alone else ""
    return "\n\n".join(part for part in (prose(type(check).__doc__), of_settings, of_module) if part)


def _facts(check: Check[Any], given: tuple[CheckSettings, ...]) -> str:
    sides = list(dict.fromkeys([check.side, *(check.side_of(one) for one in given)]))
    roles = {role for side in sides for role in SIDE_ROLES.get(side, ())} | check.roles
    roles |= {role for one in given for role in check.roles_of(one)}
    facts = ["- side: " + " or ".join(sides), "- roles: " + (", ".join(map(code, sorted(roles))) or "none")]
    if check.generators > 1:
        facts[-1] += ", and a second signal generator (`interferer: {role: signal_generator, …}`)"
    if check.side in ("receive", "transmit"):
        facts.append("- modes: " + ", ".join(mode for mode in MODES if mode in check.modes))
    return "\n".join(facts)


def _reports(check: Check[Any], given: tuple[CheckSettings, ...]) -> str:
    """Return the quantities that the example reports: which ones there are may depend on the settings."""
    found = dict.fromkeys(quantity for one in given for quantity in check.quantities(one))
    named = [code(name) + (f" ({unit})" if unit else "") for name, unit in found]
    return "It reports, with the settings of the example: " + ", ".join(named) + "." if named else ""


def _indented(example: str) -> str:
    return "".join("  " + line for line in example.splitlines(keepends=True))


def _fenced(text: str) -> str:
    return f"```yaml\n{text.rstrip()}\n```"
