"""Docstrings of fields: read from the source when a schema or a page is written."""

from __future__ import annotations

from pydantic import BaseModel, create_model

from sequencer.files.docstrings import field_docstrings


class Base(BaseModel):
    """A model."""

    first: int = 1
    """The first."""
    unsaid: int = 2
    second: int = 3
    """The second,

    on two lines.
    """


class Derived(Base):
    """One that says one of them anew."""

    first: int = 4
    """Another first."""


def test_each_field_has_the_docstring_below_it() -> None:
    """A field without one has none; a longer one keeps its lines without their margin."""
    assert field_docstrings(Base) == {"first": "The first.", "second": "The second,\n\non two lines."}


def test_what_a_base_says_is_inherited() -> None:
    """The nearest class that says something of a field is believed."""
    assert field_docstrings(Derived)["first"] == "Another first."
    assert field_docstrings(Derived)["second"].startswith("The second")


def test_a_model_made_at_run_time_has_its_base_s() -> None:
    """It has no source of its own, and that is no error."""
    made = create_model("Made", __base__=Derived, third=(int, 5))
    assert field_docstrings(made) == field_docstrings(Derived)
