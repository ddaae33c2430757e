"""Whatever comes from outside as bytes is read, or refused in words: a short run of what `python -m tests.benchmarks.fuzz` does at length.

Mutations are drawn from a seed, so that what fails fails again; the long run is guided by the branches that are taken.
"""

from __future__ import annotations

import random
from contextlib import suppress
from pathlib import Path

import pytest

from tests.support.fuzz_targets import Target, as_text, dictionary, targets

TARGETS = targets()
INPUTS = {
    "sequence": 12,
    "bench": 12,
    "model": 20,
    "kept run": 15,
    "reply": 3000,
    "quantity": 3000,
    "instrument": 150,
}
"""How many mutations of each target are tried here; 60 of any other."""
WORDS = [word.encode("utf-8") for word in dictionary()]


def _mutated(sample: bytes, other: bytes, chance: random.Random) -> bytes:
    """Return a sample with one to four things changed: bytes, words, pieces doubled, left out, or taken from another sample."""
    content = bytearray(sample)
    for _ in range(chance.randint(1, 4)):
        at = chance.randint(0, len(content))
        length = chance.randint(0, min(40, len(content)))
        match chance.randrange(6):
            case 0:
                content[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                content[at:at] = chance.choice(WORDS)
            case 2:
                del content[at : at + length]
            case 3:
                content[at:at] = content[at : at + length] * chance.randint(1, 30)
            case 4:
                content[at : at + length] = other[at : at + length]
            case _:
                content[at : at + length] = chance.choice(WORDS)
    return bytes(content)


def _take(target: Target, content: bytes, folder: Path) -> None:
    try:
        with suppress(*target.allowed):
            target.take(content, folder)
    except BaseException as error:
        error.add_note(f"{target.name}: {as_text(content)}")
        raise


@pytest.mark.parametrize("name", TARGETS)
def test_what_comes_from_outside_is_read_or_refused_in_words(name: str, tmp_path: Path) -> None:
    """No traceback, whatever the bytes; the right samples, an empty one and pure noise are among them."""
    target, chance = TARGETS[name], random.Random(name)
    samples = target.samples()
    assert samples
    for content in (*samples, b"", b"\x00" * 100, chance.randbytes(400)):
        _take(target, content, tmp_path)
    for _ in range(INPUTS.get(name, 60)):
        _take(target, _mutated(chance.choice(samples), chance.choice(samples), chance), tmp_path)
