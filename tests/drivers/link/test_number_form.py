"""How an instrument writes its numbers: an answer that lost its end stands out, a sound one does not."""

from __future__ import annotations

import pytest

from drivers.link.number_form import NumberForm


def _taught(*answers: str) -> NumberForm:
    form = NumberForm()
    for answer in answers:
        assert not form.is_cut(answer)
    return form


@pytest.mark.parametrize("cut", ["6.131000000E+0", "6.131000000", "-6.131000000", "6.131000000E-0"])
def test_an_answer_without_its_end_is_cut(cut: str) -> None:
    """Once a setting has read back with a padded exponent, a narrower one, or none behind the same mantissa, is no whole answer."""
    assert _taught("2.720500000E+07").is_cut(cut)


@pytest.mark.parametrize(
    "whole", ["6.131000000E+01", "61.31", "13", "9.91E37", "1.25", "0", "AM", "0.000000000E+00"]
)
def test_a_whole_answer_is_not_called_cut(whole: str) -> None:
    """Plain figures, whole numbers, special values and words pass, also from an instrument that writes exponents elsewhere."""
    assert not _taught("2.720500000E+07").is_cut(whole)


def test_nothing_is_cut_before_anything_is_known() -> None:
    """An instrument that always writes one digit of exponent is taken as it is."""
    assert not _taught("6.1E+1", "2.72E+7").is_cut("6.131E+0")


def test_exponents_that_nothing_pads_are_whole_at_any_length() -> None:
    """1E+10 and then 8.812E+0: an instrument that writes no more digits than are needed has lost none."""
    assert not _taught("2.7205E+10", "1.234E-12").is_cut("8.812E+0")


def test_an_instrument_that_leaves_noughts_out_is_not_judged_by_length() -> None:
    """C's %g (ISO C 7.21.6.1, from memory) drops zeros at the end: 5.08461, then 5.0846, though a setting read back as 2.7205E+7."""
    assert not _taught("2.7205E+7", "5.08461").is_cut("5.0846")
