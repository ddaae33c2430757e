"""Takes serials and names out of a kept run: where a serial or a name can stand, and never out of a number.

A word that can be nothing else (`M40-0007`) goes wherever it stands as a word of its own. One that can be a number (`005`), or that is
too short to be told apart, goes where a serial or a name stands by its place alone: in a field of its own, behind the word "serial", in
what an instrument answers when asked who it is.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from sequencer.frozen import dataclass
from sequencer.results.store.spill import KeptRun

MASK = "MASKED"
_OWN_FIELDS = ("serial", "operator", "who")
_LIKE_A_NUMBER = re.compile(r"[\d.,+\-eE]*")
_SHORTEST = 3
_BEGINS, _ENDS = r"(?<![\w-])(?<!\d[.,])", r"(?![\w-])(?![.,]\d)"
_BEHIND_SERIAL = r"""(?i:\bserials?(?:[ _]?(?:number|no\b\.?))?)["'\\]*\s*[:=]?\s*["'\\]*"""
_BEHIND_A_PERSONS_ACT = r"(?:--confirmed,|\bby)\s+"


@dataclass(frozen=True, slots=True, kw_only=True)
class Masked:
    """What is left of a run's plain values. ``left`` are the words that stand in it still, where they may be something else."""

    plain: dict[str, Any]
    left: tuple[str, ...]


def masked(kept: KeptRun, plain: dict[str, Any], *, by_place_alone: bool = False) -> Masked:
    """Return the run's plain values without the serials of unit and instruments, and without the names of those who confirmed.

    The same word becomes the same mask throughout, so that what belongs together still does. ``by_place_alone`` holds every word to be
    one that could be something else, as a name like "max" is where a limit stands.
    """
    serials = {kept.serial, *(one.serial for one in kept.instruments)}
    names = {
        kept.operator,
        *(one.who for check in kept.checks for result in check.results for one in result.confirmations),
    }
    words = sorted(filter(_is_one, serials | names), key=lambda one: (-len(one), one))
    masks = {word: f"{MASK}-{at}" for at, word in enumerate(words, start=1)}
    wide = [word for word in words if _can_be_nothing_else(word) and not by_place_alone]
    narrow = [word for word in words if word not in wide]
    patterns = [_anywhere(wide)] if wide else []
    if narrow:
        patterns += _by_place(narrow, kept)
    done = _Mask(masks=masks, patterns=patterns, in_place=[_anywhere(narrow)] if narrow else []).of(plain)
    _choose_model_by_name(kept, done)
    _hash_anew(plain, done)
    texts = list(_texts(done))
    left = tuple(word for word in narrow if any(map(_anywhere([word]).search, texts)))
    return Masked(plain=done, left=left)


def _choose_model_by_name(kept: KeptRun, done: dict[str, Any]) -> None:
    """Have the model's name choose it, where the serial did."""
    if kept.model_hash:
        model = next((one["place"] for one in done["inputs"] if one["kind"] == "model"), "")
        asked = json.loads(kept.asked or "{}")
        done["asked"] = json.dumps({**asked, "model": asked.get("model") or model})


def _hash_anew(plain: dict[str, Any], done: dict[str, Any]) -> None:
    """Give the run the hashes of its files as they are now, where a mask stands in them: of a bench, with its tables or alone."""
    for kind in ("sequence", "model", "bench"):
        for kinds in ((kind,), (kind, "table")):
            before, now = (_hash_of(one["inputs"], kinds) for one in (plain, done))
            if before == plain[f"{kind}_hash"]:
                done[f"{kind}_hash"] = now


def _hash_of(inputs: list[dict[str, str]], kinds: tuple[str, ...]) -> str:
    held = (one["content"] for kind in kinds for one in inputs if one["kind"] == kind)
    return hashlib.sha256("".join(held).encode("latin-1")).hexdigest()[:16]


def _is_one(word: str) -> bool:
    """Say whether it is a serial or a name at all: nothing, or noughts alone, is what stands where none is told (IEEE 488.2, 10.14)."""
    return bool(word.strip().strip("0"))


def _can_be_nothing_else(word: str) -> bool:
    return len(word) >= _SHORTEST and _LIKE_A_NUMBER.fullmatch(word) is None


def _any_of(words: Iterable[str]) -> str:
    """Return a pattern of the words, also as they stand where each byte is a character (files and messages)."""
    forms = dict.fromkeys(form for word in words for form in (word, _as_bytes(word)))
    return "|".join(map(re.escape, forms))


def _as_bytes(word: str) -> str:
    return word.encode("utf-8", "backslashreplace").decode("latin-1")


def _anywhere(words: Sequence[str]) -> re.Pattern[str]:
    return re.compile(f"{_BEGINS}({_any_of(words)}){_ENDS}")


def _by_place(words: Sequence[str], kept: KeptRun) -> list[re.Pattern[str]]:
    """Return where a serial or a name stands by what is before it; the word itself is the group."""
    patterns = [
        re.compile(f"(?:{_BEHIND_SERIAL}|{_BEHIND_A_PERSONS_ACT})({_any_of(words)})(?!\\w)(?![.,-]\\w)")
    ]
    for one in kept.instruments:
        if one.serial in words and (one.maker or one.model):
            who = rf"{re.escape(_as_bytes(one.maker))}\s*,\s*{re.escape(_as_bytes(one.model))}\s*,\s*"
            patterns.append(re.compile(rf"(?<!\w){who}({_any_of([one.serial])})(?=\s*(?:,|$))", re.MULTILINE))
    return patterns


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mask:
    """Puts a mask for each word that is found, through mappings and lists; a number stays, and so does each key."""

    masks: dict[str, str]
    patterns: Sequence[re.Pattern[str]]
    in_place: Sequence[re.Pattern[str]]
    """Finds in the name of a file, which a sequence may make of the serial, what is found by its place alone elsewhere."""

    def of(self, plain: Any, name: str = "") -> Any:
        if isinstance(plain, dict):
            return {key: self.of(one, key) for key, one in plain.items()}
        if isinstance(plain, list):
            return [self.of(one, name) for one in plain]
        if not isinstance(plain, str):
            return plain
        if name in _OWN_FIELDS and plain in self.masks:
            return self.masks[plain]
        for pattern in self.patterns if name != "place" else (*self.patterns, *self.in_place):
            plain = pattern.sub(self._replacing(), plain)
        return plain

    def _replacing(self) -> Callable[[re.Match[str]], str]:
        by_form = {form: mask for word, mask in self.masks.items() for form in (word, _as_bytes(word))}

        def replaced(match: re.Match[str]) -> str:
            begins = match.start(1) - match.start()
            return f"{match[0][:begins]}{by_form[match[1]]}{match[0][begins + len(match[1]) :]}"

        return replaced


def _texts(plain: Any) -> Iterable[str]:
    if isinstance(plain, str):
        yield plain
    elif isinstance(plain, dict | list):
        for one in plain.values() if isinstance(plain, dict) else plain:
            yield from _texts(one)
