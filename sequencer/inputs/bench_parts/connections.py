"""How often what wears with each unit may be connected, as a bench file or a batch file states it."""

from typing import Annotated

from pydantic import AfterValidator

from sequencer.files.fields import FileModel, between

_Rating = Annotated[int, AfterValidator(between(1, 10_000_000, ""))]


class Connections(FileModel):
    """How often what wears may be connected, as its maker rates it; connections are counted against it."""

    cable: _Rating | None = None
    """Connections that the cable to the unit is good for."""
    fixture: _Rating | None = None
    """Connections that the fixture is good for."""

    def and_of(self, other: "Connections") -> "Connections":
        """Return what holds where both are stated: of each part the smaller number."""
        stated = {
            name: [one for one in (getattr(self, name), getattr(other, name)) if one is not None]
            for name in type(self).model_fields
        }
        return Connections(**{name: min(numbers) for name, numbers in stated.items() if numbers})
