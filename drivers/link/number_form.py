"""How one instrument writes its numbers, learnt from its own answers, so that one that lost its end stands out.

A firmware writes all its numbers alike: an exponent is padded with noughts to the same number of digits (C's ``%e``: at least two,
ISO C 7.21.6.1, from memory) or not at all, a mantissa to the same number of decimals. Settings read back teach it before the first
reading is taken.
"""

from __future__ import annotations

import re

_NUMBER = re.compile(r"\s*[+-]?(?P<whole>\d+)(?:\.(?P<decimals>\d*))?(?:[Ee][+-]?(?P<exponent>\d+))?\s*")
TELLING_DECIMALS = 3  # with fewer, two ways of writing look alike by chance: common practice, no source


class NumberForm:
    """How many digits an instrument pads its exponents to, where it pads them, and the decimals it writes before one."""

    def __init__(self) -> None:
        self._padded_digits = 0
        self._decimals: set[int] = set()
        self._writes_plain = False  # seen to write figures of its own length without an exponent

    def is_cut(self, answer: str) -> bool:
        """Say whether ``answer`` lacks its end as this instrument writes numbers, and learn from one that does not.

        An exponent with fewer digits than it is padded to is cut. No exponent at all is, too, where the rest is written to the digit as
        before an exponent: a number in plain figures would not come with one digit before the point and so many behind it. An
        instrument that was seen to write plain figures of another length leaves noughts at the end out, and is not judged by length.
        """
        found = _NUMBER.fullmatch(answer)
        if found is None:
            return False
        decimals, exponent = len(found["decimals"] or ""), found["exponent"]
        if exponent is not None:
            if len(exponent) < self._padded_digits:
                return True
            if (
                exponent.startswith("0") and len(exponent) > 1
            ):  # 1E+3 and 1E+10 are both whole where nothing is padded
                self._padded_digits = len(exponent)
            if len(found["whole"]) == 1:
                self._decimals.add(decimals)
            return False
        if len(found["whole"]) != 1 or decimals < TELLING_DECIMALS:
            return False
        self._writes_plain |= bool(self._decimals) and decimals not in self._decimals
        return decimals in self._decimals and not self._writes_plain
