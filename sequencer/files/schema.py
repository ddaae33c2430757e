"""How a file's model is written as a JSON Schema: with the fields' docstrings, and one branch of a choice at a time."""

from __future__ import annotations

from enum import Enum
from typing import Any, cast

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema
from typing_extensions import override

from sequencer.files.bounds import Bounds, ranges_in
from sequencer.files.docstrings import field_docstrings


def schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of files that ``model`` reads."""
    return model.model_json_schema(schema_generator=FileSchema)


class FileSchema(GenerateJsonSchema):
    """Describes fields by their docstrings, and chooses between models by the key that tells them apart.

    A bare oneOf of all models answers one wrong key with "valid under none of them". With if and then an editor holds an entry
    only against the model that its key names, and what it says is about the wrong key.
    """

    @override
    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        json_schema = super().model_schema(schema)
        model = cast("type[BaseModel]", schema["cls"])
        texts, properties = field_docstrings(model), json_schema.get("properties", {})
        for name, field in model.model_fields.items():
            described = properties.get(field.alias or name)
            if described is None:
                continue
            ranges = dict.fromkeys(map(str, ranges_in(field.annotation, field.metadata)))
            allowed = f"Allowed: {'; '.join(filter(None, ranges))}." if any(ranges) else ""
            if said := " ".join(filter(None, (texts.get(name), allowed))):
                described["description"] = said
        return json_schema

    @override
    def function_after_schema(self, schema: core_schema.AfterValidatorFunctionSchema) -> JsonSchemaValue:
        json_schema = super().function_after_schema(schema)
        bounds = schema["function"]["function"]
        if isinstance(bounds, Bounds) and json_schema.get("type") in ("integer", "number"):
            json_schema["minimum"] = bounds.minimum
            if bounds.maximum is not None:
                json_schema["maximum"] = bounds.maximum
        return json_schema

    @override
    def tagged_union_schema(self, schema: core_schema.TaggedUnionSchema) -> JsonSchemaValue:
        key = schema["discriminator"]
        if not isinstance(key, str):
            return super().tagged_union_schema(schema)
        branches = {
            str(tag.value if isinstance(tag, Enum) else tag): self.generate_inner(choice)
            for tag, choice in schema["choices"].items()
        }
        return {
            "type": "object",
            "required": [key],
            "properties": {key: {"enum": list(branches)}},
            "allOf": [
                {"if": {"properties": {key: {"const": tag}}, "required": [key]}, "then": branch}
                for tag, branch in branches.items()
            ],
        }
