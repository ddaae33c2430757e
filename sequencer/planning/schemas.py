"""JSON Schemas of the files a person writes, for an editor that completes and underlines."""

from __future__ import annotations

from typing import Any

from sequencer.inputs.bench import ROLES, BenchFile
from sequencer.inputs.channel_plan import PlanFile
from sequencer.planning.sequence import sequence_model

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_ADDRESS_UNLESS_BY_HAND: dict[str, Any] = {
    "if": {"properties": {"driver": {"const": "operator"}}, "required": ["driver"]},
    "else": {"required": ["address"]},
}


def schemas() -> dict[str, dict[str, Any]]:
    """Return the schemas of sequence, bench and plan files (JSON Schema 2020-12)."""
    found = {
        "sequence": sequence_model().model_json_schema(),
        "bench": _with_optional_role(BenchFile.model_json_schema()),
        "plan": PlanFile.model_json_schema(),
    }
    return {name: {"$schema": _DIALECT, **one} for name, one in found.items()}


def _with_optional_role(bench: dict[str, Any]) -> dict[str, Any]:
    """Let an entry that is named after its role leave `role` out, and one that a person works its address, as the reader does.

    A schema cannot look at the name an entry stands under unless each name is spelt out, so that is what is done.
    """
    definitions = bench["$defs"]
    kinds = {"signal_generator": "SignalGenerator", "power_meter": "PowerMeter", "supply": "Supply"}
    properties: dict[str, Any] = {}
    for role in ROLES:
        definition = definitions[kinds.get(role, "OtherInstrument")]
        required = [key for key in definition.get("required", []) if key not in ("role", "address")]
        properties[role] = {**definition, "required": required, **_ADDRESS_UNLESS_BY_HAND}
    for kind in {*kinds.values(), "OtherInstrument"}:
        definitions[kind]["required"].remove("address")
        definitions[kind] |= _ADDRESS_UNLESS_BY_HAND
    by_name = bench["properties"]["instruments"]
    by_name["properties"] = properties
    return bench
