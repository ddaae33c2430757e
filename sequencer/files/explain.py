"""Pydantic's errors as complaints that point into the file."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError

from sequencer.files.fields import FileModel
from sequencer.files.yaml_tree import Node, Source
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FieldProblem, FieldProblems, did_you_mean, listed
from sequencer.units.parse import QuantityError


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """A complaint, pydantic's location of it, and where in that location a branch of a union is named."""

    complaint: Complaint
    location: tuple[str | int, ...]
    forks: tuple[int, ...]


def complaints_of(error: ValidationError, source: Source, model: type[BaseModel]) -> list[Complaint]:
    """Return pydantic's errors as complaints that point into ``source``."""
    placed = [one for entry in error.errors(include_url=False) for one in _placed(dict(entry), source, model)]
    return [one.complaint for one in _without_other_branches(placed, 0)]


def _without_other_branches(placed: list[_Placed], level: int) -> list[_Placed]:
    """Keep, at every union, only what the branch that was meant has to say."""
    kept = [one for one in placed if len(one.forks) <= level]
    unions: dict[Any, dict[Any, list[_Placed]]] = defaultdict(lambda: defaultdict(list))
    for one in placed:
        if len(one.forks) > level:
            fork = one.forks[level]
            unions[one.location[:fork]][one.location[fork]].append(one)
    for branches in unions.values():
        kept += _meant([_without_other_branches(branch, level + 1) for branch in branches.values()])
    return kept


def _meant(branches: list[list[_Placed]]) -> list[_Placed]:
    """Return the branch whose complaints lie deepest, then the one with fewest; equals speak together."""
    if len(branches) == 1:
        return branches[0]
    depths = [min(len(one.location) - len(one.forks) for one in branch) for branch in branches]
    meant = [branch for branch, depth in zip(branches, depths, strict=True) if depth == max(depths)]
    if len(meant) == 1 or any(len(branch) > 1 for branch in meant):
        return min(meant, key=len)
    complaints = [branch[0].complaint for branch in meant]
    allowed = dict.fromkeys(one.allowed for one in complaints if one.allowed)
    hints = dict.fromkeys(one.hint for one in complaints if one.hint)
    together = replace(complaints[0], allowed="; or ".join(allowed), hint="; or ".join(hints))
    return [replace(meant[0][0], complaint=together)]


def _placed(entry: dict[str, Any], source: Source, model: type[BaseModel]) -> Iterator[_Placed]:
    location: tuple[str | int, ...] = entry["loc"]
    at_key = location[-1:] == ("[key]",)
    if at_key:
        location = location[:-1]
    there = location[:-1] if entry["type"] == "missing" else location
    taken, forks = source.resolve(there)
    if source.find(taken).spoiled:
        return
    for complaint in _worded(entry, source, model, taken, location, at_key=at_key):
        yield _Placed(complaint=complaint, location=there, forks=tuple(forks))


def _worded(
    entry: dict[str, Any],
    source: Source,
    model: type[BaseModel],
    taken: list[str | int],
    location: tuple[str | int, ...],
    *,
    at_key: bool,
) -> Iterator[Complaint]:
    node = source.find(taken)
    found = str(taken[-1]) if at_key else node.described()
    context = entry.get("ctx", {})
    raised = context.get("error")
    if isinstance(raised, FieldProblems):
        for problem in raised.problems:
            yield _from_problem(problem, source, taken, at_key=at_key)
    elif isinstance(raised, FieldProblem):
        yield _from_problem(raised, source, taken, at_key=at_key)
    elif isinstance(raised, QuantityError):
        yield source.complain(
            taken,
            _quantity_message(raised, node.text, at_key=at_key),
            found=found,
            allowed=raised.allowed,
            hint=raised.hint,
            key=at_key,
        )
    elif entry["type"] == "missing":
        yield _missing(source, taken, str(location[-1]), model, location)
    elif entry["type"] == "extra_forbidden":
        yield _unknown_key(source, taken, model, location)
    elif entry["type"] in {"union_tag_invalid", "union_tag_not_found"}:
        yield _wrong_tag(source, taken, context)
    else:
        yield _wrong_value(entry, source, taken, found, at_key=at_key)


def _quantity_message(error: QuantityError, text: str, *, at_key: bool) -> str:
    """Show the file's own spelling (4.0, not 4) of a bare number."""
    if at_key or not error.problem.endswith("has no unit"):
        return error.problem
    return f"'{text}' has no unit"


def _from_problem(
    problem: FieldProblem, source: Source, taken: list[str | int], *, at_key: bool
) -> Complaint:
    path = [*taken, *problem.at]
    found = problem.found or (source.find(path).described() if problem.at else "")
    return source.complain(
        path,
        problem.message,
        found=found,
        allowed=problem.allowed,
        hint=problem.hint,
        key=at_key or problem.at_key,
    )


def _missing(
    source: Source, taken: list[str | int], key: str, model: type[BaseModel], location: tuple[str | int, ...]
) -> Complaint:
    node = source.find(taken)
    known = keys_at(model, location[:-1])
    strangers = [name for name in node.entries if name not in known]
    meant = [name for name in strangers if did_you_mean(name, known) == f"did you mean '{key}'?"]
    hint = f"'{meant[0]}' looks like it" if meant else ""
    return source.complain(
        taken, f"key '{key}' is missing", found="nothing", allowed=f"a value for '{key}'", hint=hint
    )


def _unknown_key(
    source: Source, taken: list[str | int], model: type[BaseModel], location: tuple[str | int, ...]
) -> Complaint:
    key = str(taken[-1])
    known = keys_at(model, location[:-1])
    siblings = source.find(taken[:-1]).entries
    free = [name for name in known if name not in siblings] or known
    hint = did_you_mean(key, free)
    models = [one for one in models_at(model, location[:-1]) if issubclass(one, FileModel)]
    elsewhere = next((said for one in models if (said := one.about_unknown(key))), "")
    return source.complain(
        taken,
        elsewhere or f"unknown key '{key}'",
        found=key,
        allowed="the keys " + listed(known) if known else "no keys",
        hint=hint,
        key=True,
    )


def _wrong_tag(source: Source, taken: list[str | int], context: dict[str, Any]) -> Complaint:
    key = str(context["discriminator"]).strip("'")
    node = source.find(taken)
    expected = [word.strip("' ") for word in str(context.get("expected_tags", "")).split(",") if word.strip()]
    if key not in node.entries:
        return source.complain(
            taken, f"key '{key}' is missing", found="nothing", allowed=f"a value for '{key}'"
        )
    there = node.entries[key][1]
    return source.complain(
        [*taken, key],
        f"{key} {there.described()} is unknown",
        found=there.described(),
        allowed=listed(expected),
        hint=did_you_mean(there.text, expected),
    )


_DUE = {
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "string_type": "text",
    "bool_type": "true or false",
    "list_type": "a list: [first, second] or one '- ' line each",
    "tuple_type": "a list: [first, second] or one '- ' line each",
    "dict_type": "a mapping: {key: value}",
    "model_type": "a mapping: {key: value}",
    "model_attributes_type": "a mapping: {key: value}",
    "date_type": "a date: 2027-06-30",
    "date_parsing": "a date: 2027-06-30",
    "date_from_datetime_parsing": "a date: 2027-06-30",
    "none_required": "nothing",
}


def _wrong_value(
    entry: dict[str, Any], source: Source, taken: list[str | int], found: str, *, at_key: bool
) -> Complaint:
    kind = entry["type"]
    node = source.find(taken)
    said = str(entry["msg"])
    allowed = _DUE.get(kind) or said.removeprefix("Input should be ").removeprefix("Value error, ")
    hint = ""
    if of_length := _of_length(kind, entry.get("ctx", {}), node, found if at_key else node.text):
        message, allowed = of_length
        return source.complain(taken, message, found=found, allowed=allowed, key=at_key)
    if kind in {"literal_error", "enum"}:
        hint = did_you_mean(
            node.text, [word.strip("', ") for word in allowed.replace(" or ", ",").split(",")]
        )
    elif kind == "string_type" and node.kind == "scalar" and node.scalar is not None:
        hint = f"put it in quotes: '{node.text}'"
    elif kind == "bool_type" and node.text.casefold() in {"yes", "no", "on", "off"}:
        hint = f"write {'true' if node.text.casefold() in {'yes', 'on'} else 'false'}"
    elif (
        kind in {"int_type", "float_type"}
        and isinstance(node.scalar, str)
        and node.scalar.lstrip("+-").isdigit()
    ):
        hint = "write the number without quotes and without leading zeros"
    message = f"{found} is not allowed here" if node.kind == "scalar" else f"found {found}"
    if node.kind == "scalar" and node.scalar is None and not at_key:
        message = "nothing stands here"
    if kind == "value_error":
        message, allowed = said.removeprefix("Value error, "), ""
    return source.complain(taken, message, found=found, allowed=allowed, hint=hint, key=at_key)


_ENDS = {"too_short": ("at least", "min_length"), "too_long": ("at most", "max_length")}
_ENTRIES = {"mapping": "entries", "sequence": "elements"}


def _of_length(kind: str, context: dict[str, Any], node: Node, text: str) -> tuple[str, str] | None:
    """Return what is said of a text, a list or a mapping that has the wrong length or characters, and what is allowed; else None."""
    if kind == "string_pattern_mismatch":
        is_name = "=" in context["pattern"]
        allowed = (
            "text without '=' and without spaces at its ends" if is_name else "text on one line, printable"
        )
        return "a text with characters that are not allowed here", allowed
    is_text, end_of = kind.startswith("string_"), kind.removeprefix("string_")
    if end_of not in _ENDS:
        return None
    end, bound = _ENDS[end_of]
    several = "characters" if is_text else _ENTRIES[node.kind]
    length = len(text) if is_text else max(len(node.entries), len(node.items))
    named = "text" if is_text else "list" if node.kind == "sequence" else node.kind
    count = context[bound]
    allowed = f"{end} {'one' if count == 1 else f'{count} {several}'}"
    return f"a {named} of {length} {several}" if length else f"the {named} is empty", allowed


# -- which keys a model knows at a place --------------------------------------------------------------------


def keys_at(model: type[BaseModel], location: Sequence[str | int]) -> list[str]:
    """Return the keys ``model`` knows at a pydantic error location (which also names union branches)."""
    keys: dict[str, None] = {}
    for candidate in models_at(model, location):
        keys.update(dict.fromkeys(field.alias or name for name, field in candidate.model_fields.items()))
    return list(keys)


def models_at(model: type[BaseModel], location: Sequence[str | int]) -> list[type[BaseModel]]:
    """Return the models that may be meant at a pydantic error location."""
    candidates = [model]
    for element in location:
        candidates = _below(candidates, str(element))
    return candidates


def _below(candidates: list[type[BaseModel]], element: str) -> list[type[BaseModel]]:
    """Return the models that ``element`` leads to: by key, by union branch, or through a list or mapping."""
    named = [one for one in candidates if element == one.__name__ or _tagged(one, element)]
    if named and len(candidates) > 1:
        return named
    found = [
        inner
        for candidate in candidates
        for name, field in candidate.model_fields.items()
        if element == (field.alias or name)
        for inner in _models_in(field.annotation)
    ]
    return found or candidates


def _tagged(model: type[BaseModel], element: str) -> bool:
    return any(
        get_origin(field.annotation) is Literal and element in get_args(field.annotation)
        for field in model.model_fields.values()
    )


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is Annotated:
        yield from _models_in(get_args(annotation)[0])
    elif get_origin(annotation) is not Literal:
        for inner in get_args(annotation):
            yield from _models_in(inner)
