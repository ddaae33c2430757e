"""JSON Schemas of the files a person writes, for an editor that completes and underlines."""

from __future__ import annotations

from typing import Any

from sequencer.files.schema import schema_of
from sequencer.inputs.batch import BatchFile
from sequencer.inputs.bench_models import bench_model
from sequencer.inputs.bench_parts.instrument_roles import ENTRIES, INSTALLED, ROLES, role_of
from sequencer.inputs.bench_parts.instruments import UnknownRole
from sequencer.inputs.channel_plan import PlanFile
from sequencer.inputs.gauge_file import GaugeFile
from sequencer.inputs.model import CHANNEL_WORDS
from sequencer.planning.loading.fill import FILLED
from sequencer.planning.loading.limit_rows import OF_A_DOCUMENT
from sequencer.planning.loading.model_limits import model_of_files
from sequencer.planning.loading.sequence import sequence_model

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """Return the schemas of sequence, bench, plan, model, gauge and batch files (JSON Schema 2020-12)."""
    found = {
        "sequence": _with_what_a_model_has(schema_of(sequence_model())),
        "bench": _chosen_by_role_and_driver(schema_of(bench_model())),
        "plan": schema_of(PlanFile),
        "model": schema_of(model_of_files()),
        "gauge": schema_of(GaugeFile),
        "batch": schema_of(BatchFile),
    }
    return {name: {"$schema": _DIALECT, **one} for name, one in found.items()}


def _with_what_a_model_has(sequence: dict[str, Any]) -> dict[str, Any]:
    """Let a check leave out what a model file fills in, and name its channels by the words that a model gives a meaning."""
    words = {"enum": list(CHANNEL_WORDS)}
    for definition in sequence["$defs"].values():
        properties = definition.get("properties", {})
        filled = {*FILLED.get(str(properties.get("check", {}).get("const")), {}), *OF_A_DOCUMENT}
        if "required" in definition:
            definition["required"] = [key for key in definition["required"] if key not in filled]
        if "check" in properties and "channel" in properties:
            for one in (choices := properties["channel"]["anyOf"]):
                if one.get("type") == "array":
                    one["items"] = {"anyOf": [one["items"], words]}
            choices.append(words)
    return sequence


def _chosen_by_role_and_driver(bench: dict[str, Any]) -> dict[str, Any]:
    """Let an entry be held against the one model of its role and driver, as the reader does: a mistake is then told of its own key.

    An entry named after its role may leave `role` out. A schema cannot look at the name an entry stands under unless each name is
    spelt out, so that is what is done.
    """
    definitions = bench["$defs"]
    for models in ENTRIES.values():
        for model in models:
            definition = definitions[model.__name__]
            needed = [key for key in definition.get("required", []) if key not in ("role", "driver")]
            definition["required"] = needed
    definitions.pop(UnknownRole.__name__, None)
    named: dict[str, Any] = {
        "type": "object",
        "required": ["role"],
        "properties": {"role": {"enum": list(ROLES)}},
    }
    named["allOf"] = [
        {"if": {"required": ["role"], "properties": {"role": {"const": role}}}, "then": _by_driver(role)}
        for role in ROLES
    ]
    by_name = bench["properties"]["instruments"]
    by_name["additionalProperties"] = named
    by_name["properties"] = {role: _by_driver(role) for role in ROLES}
    return bench


def _by_driver(role: str) -> dict[str, Any]:
    """Return the schema that tells a role's entries apart by `driver`."""
    chosen: dict[str, Any] = {}
    for driver, models in ENTRIES.items():
        for model in models:
            if role_of(model) == role:
                chosen[driver] = {"$ref": f"#/$defs/{model.__name__}"}
    schema: dict[str, Any] = chosen.pop(INSTALLED)
    for driver, one in chosen.items():
        required = [] if driver == "profile" else ["driver"]  # what leaves it out means the profile's
        is_meant = {"properties": {"driver": {"const": driver}}, "required": required}
        schema = {"if": is_meant, "then": one, "else": schema}
    return {"type": "object", **schema}
