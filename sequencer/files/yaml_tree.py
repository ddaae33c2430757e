"""YAML text to a tree that remembers where everything stands.

The tree is composed here from PyYAML's events, not by its loader, because the loader forgets positions, takes
the last of two equal keys, builds recursive values, and reads YAML 1.1: ``010`` as 8, ``1:30`` as 90, and
``no`` as false. Scalars follow the YAML 1.2 core schema, narrowed: what could be read two ways stays text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any

import yaml

from sequencer.files.collector import collector_at_rest
from sequencer.files.tree import Node, Path, Position, Source, complaint_at
from sequencer.problems import Complaint

__all__ = ["Node", "Path", "Position", "Source", "complaint_at", "compose"]

DEEPEST = 40
"""Levels of nesting a file may have."""

MOST_ALIASED = 10_000
"""Nodes that all aliases of a file together may stand for."""

FAST_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

# What YAML 1.2.2, 5.1, leaves out. Said as what it lets in, the set took ten times as long to compile [measured].
_NOT_YAML = re.compile(
    "[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f-\\x84\\x86-\\x9f\\ud800-\\udfff\\ufffe\\uffff]"
)
_NOT_TEXT = re.compile("[\\x00-\\x08\\x0b-\\x1f\\x7f\\ud800-\\udfff]")
_LINE_BREAK = re.compile("\\r\\n|[\\n\\r\\x85\\u2028\\u2029]")
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,17})")
_FLOAT = re.compile(r"[-+]?(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_WORDS: dict[str, bool | None] = dict.fromkeys(("", "~", "null", "Null", "NULL"))
_WORDS |= dict.fromkeys(("true", "True", "TRUE"), True) | dict.fromkeys(("false", "False", "FALSE"), False)
_CORE_TAGS = {
    "scalar": (None, "!", "tag:yaml.org,2002:str"),
    "sequence": (None, "!", "tag:yaml.org,2002:seq"),
    "mapping": (None, "!", "tag:yaml.org,2002:map"),
}


def compose(text: str, file: str, *, loader: Any = FAST_LOADER) -> tuple[Source | None, list[Complaint]]:
    """Return the tree of ``text`` and all that is wrong with it as YAML; no tree when none can be made of it.

    Time and memory grow with the length of the text only: nesting, aliases and documents are bounded.
    """
    lines = tuple(_LINE_BREAK.split(text))
    composer = _Composer(file, lines)
    if strange := _NOT_YAML.search(text):
        before = _LINE_BREAK.split(text[: strange.start()])
        name = "a NUL character" if strange[0] == "\0" else f"the character U+{ord(strange[0]):04X}"
        composer.complain(
            len(before),
            len(before[-1]) + 1,
            f"{name} is not allowed in a YAML file",
            hint="the file may be damaged, or not text",
        )
        return None, composer.complaints
    try:
        with collector_at_rest():
            for event in yaml.parse(text, Loader=loader):
                composer.take(event)
    except _GivenUp:
        return None, composer.complaints
    except yaml.YAMLError as error:
        composer.complain_of_syntax(error)
        return None, composer.complaints
    if composer.root is None:
        composer.complain(1, 1, "the file is empty", allowed="one YAML mapping")
        return None, composer.complaints
    return Source(file=file, lines=lines, root=composer.root), composer.complaints


class _GivenUp(Exception):
    """The rest of the file is not worth reading, or not safe to read."""


class _Composer:
    """Builds the tree from events; an explicit stack, so that no input can exhaust Python's."""

    def __init__(self, file: str, lines: tuple[str, ...]) -> None:
        self.file = file
        self.lines = lines
        self.complaints: list[Complaint] = []
        self.root: Node | None = None
        self._documents = 0
        self._open: list[Node] = []
        self._keys: list[Node | None] = []  # the key that waits for its value, one for each open node
        self._anchors: dict[str, Node] = {}
        self._aliased = 0

    def complain(self, line: int, column: int, message: str, **facts: str) -> None:
        self.complaints.append(complaint_at(self.file, self.lines, line, column, message, **facts))

    def complain_of_syntax(self, error: yaml.YAMLError) -> None:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        problem = getattr(error, "problem", None) or str(error).split("\n", 1)[0]
        context = getattr(error, "context", None)
        shown = self.lines[line - 1] if line <= len(self.lines) else ""
        hint = "indent with spaces: YAML does not allow tabs there" if "\t" in shown[:column] else ""
        began = getattr(error, "context_mark", None)
        if (
            not hint
            and began
            and (began.line, began.column) != (line - 1, column - 1)
            and "did not find" in problem
        ):
            hint = f"what is unfinished began at line {began.line + 1}, column {began.column + 1}"
        if not hint and (": " in shown or shown.rstrip().endswith(":")) and "mapping values" in problem:
            hint = "put text that holds ': ' in quotes, and give each key its own line"
        self.complain(line, column, f"not YAML: {problem}" + (f" ({context})" if context else ""), hint=hint)

    def take(self, event: yaml.Event) -> None:
        mark: Any = event.start_mark
        line, column = mark.line + 1, mark.column + 1
        match event:
            case yaml.ScalarEvent():  # first: most are
                node = Node(kind="scalar", line=line, column=column, text=event.value, complete=True)
                self._begin(node, event)
                self._resolve_scalar(node, event)
                self._add(node)
            case yaml.DocumentStartEvent():
                self._documents += 1
                if self._documents > 1:
                    self.complain(
                        line, column, "a second document begins here", allowed="one document in a file"
                    )
                    raise _GivenUp
            case yaml.AliasEvent():
                self._add(self._aliased_node(str(event.anchor), line, column))
            case yaml.SequenceStartEvent():
                self._push(Node(kind="sequence", line=line, column=column, items=[]), event)
            case yaml.MappingStartEvent():
                self._push(Node(kind="mapping", line=line, column=column, entries={}), event)
            case yaml.CollectionEndEvent():
                self._pop()

    def _begin(self, node: Node, event: Any) -> None:
        if event.anchor:
            self._anchors[event.anchor] = node
        if event.tag not in _CORE_TAGS[node.kind]:
            node.spoiled = True
            tag = str(event.tag).replace("tag:yaml.org,2002:", "!!")
            self.complain(
                node.line,
                node.column,
                f"tag '{tag}' is not allowed",
                found=tag,
                allowed="plain YAML without tags",
            )

    def _resolve_scalar(self, node: Node, event: yaml.ScalarEvent) -> None:
        plain = event.implicit[0] and event.tag is None
        node.scalar = _core(event.value) if plain else event.value
        if strange := _NOT_TEXT.search(event.value):
            node.spoiled, node.scalar = True, ""
            self.complain(
                node.line,
                node.column,
                f"the text holds the character U+{ord(strange[0]):04X}",
                allowed="printable text",
            )

    def _push(self, node: Node, event: Any) -> None:
        self._begin(node, event)
        if len(self._open) >= DEEPEST:
            self.complain(node.line, node.column, "nested too deeply", allowed=f"{DEEPEST} levels of nesting")
            raise _GivenUp
        self._open.append(node)
        self._keys.append(None)

    def _pop(self) -> None:
        node = self._open.pop()
        self._keys.pop()
        below = list(_children(node))
        node.size = 1 + sum(child.size for child in below)
        node.height = 1 + max((child.height for child in below), default=0)
        node.complete = True
        self._add(node)

    def _add(self, node: Node) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1]
        if parent.kind == "sequence":
            parent.items.append(node)
        elif self._keys[-1] is None:
            self._keys[-1] = node
        else:
            key, self._keys[-1] = self._keys[-1], None
            self._enter(parent, key, node)

    def _enter(self, parent: Node, key: Node, node: Node) -> None:
        if key.kind != "scalar" or key.scalar is None or isinstance(key.scalar, bool):
            self.complain(
                key.line,
                key.column,
                f"a key is text, not {key.described()}",
                found=key.described(),
                allowed="text as a key",
            )
        elif key.text == "<<":
            self.complain(key.line, key.column, "merge keys ('<<') are not read", hint="write the keys out")
        elif key.text in parent.entries:
            first = parent.entries[key.text][0]
            self.complain(
                key.line,
                key.column,
                f"key '{key.text}' appears twice in this mapping",
                found=key.text,
                hint=f"first at line {first.line}, column {first.column}; remove one",
            )
        else:
            parent.entries[key.text] = (key, node)

    def _aliased_node(self, anchor: str, line: int, column: int) -> Node:
        node = self._anchors.get(anchor)
        problem, hint = "", ""
        if node is None:
            problem, hint = (
                f"alias '*{anchor}' has no anchor '&{anchor}' before it",
                "define the anchor first",
            )
        elif not node.complete:
            problem, hint = (
                f"alias '*{anchor}' stands inside what it refers to",
                "a value cannot contain itself",
            )
        if problem or node is None:
            self.complain(line, column, problem, hint=hint)
            return Node(kind="scalar", line=line, column=column, complete=True, spoiled=True)
        self._aliased += node.size
        if self._aliased > MOST_ALIASED or len(self._open) + node.height > DEEPEST:
            self.complain(
                line,
                column,
                f"the aliases up to '*{anchor}' expand to too much",
                allowed=f"{MOST_ALIASED} values and {DEEPEST} levels in all",
            )
            raise _GivenUp
        return node


def _children(node: Node) -> Iterator[Node]:
    yield from node.items
    for _, entry in node.entries.values():
        yield entry


def _core(text: str) -> str | int | float | bool | None:
    if text in _WORDS:
        return _WORDS[text]
    if _INT.fullmatch(text):
        return int(text)
    if _FLOAT.fullmatch(text):
        number = float(text)
        return number if math.isfinite(number) else text
    return text
