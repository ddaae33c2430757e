"""Whether the instrument that answers at an address is the one that the bench file names."""

from __future__ import annotations

from drivers.faults import UnexpectedReply
from drivers.roles import Identity
from sequencer.inputs.bench_parts.instrument_roles import Instrument


def confirm_identity(name: str, entry: Instrument, found: Identity) -> None:
    """Raise UnexpectedReply where ``found`` is not whom the entry's `identity` names; what that leaves out may be anything."""
    if entry.identity is None:
        return
    wanted = entry.identity.model_dump(exclude_none=True)
    says = {key: getattr(found, key) for key in wanted}
    wrong = {
        key: figure for key, figure in wanted.items() if says[key].strip().upper() != figure.strip().upper()
    }
    if not wrong:
        return
    told = ", ".join(f"{key} {figure}" for key, figure in wrong.items())
    said = ", ".join(f"{key} {says[key] or 'not told'}" for key in wrong)
    raise UnexpectedReply(
        f"another instrument answers here: the bench file names {told}, and it says {said}; it was sent nothing more",
        instrument=name,
        address=entry.address,
        command="*IDN?",
        reply=f"{found.maker},{found.model},{found.serial},{found.firmware}",
        next_move="Look whether two addresses are swapped; if it was exchanged on purpose, correct 'identity', accuracy and certificate in "
        "the bench file.",
    )
