"""What the generator sends below speech to a receiver that opens for it: its own tone or code, one that is not its own, or nothing."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.checks.shared.asked.signalling_lists import lists
from sequencer.frozen import dataclass
from sequencer.safety.receive import ReceiveSide

FAR = 1.25
"""Times another tone, a tone that no decoder takes for it: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Below:
    """A tone, a code (`D023N`) or nothing; ``name`` is what a result calls it."""

    name: str
    tone_hz: float | None = None
    code: str = ""

    @property
    def is_nothing(self) -> bool:
        """Say whether nothing is sent."""
        return self.tone_hz is None and not self.code

    def send(self, side: ReceiveSide, deviation_hz: float) -> None:
        """Have the second source of the generator send it, beside what the first one does."""
        if self.tone_hz is not None:
            side.send_tone_below(self.tone_hz, deviation_hz=deviation_hz)
        elif self.code:
            bits = "".join(map(str, bits_of(self.code)))
            side.send_code_below(bits, bit_rate=lists().codes.bit_rate, deviation_hz=deviation_hz)
        else:
            side.send_nothing_below()


NOTHING = Below(name="nothing")


def of_tone(tone_hz: float) -> Below:
    """Return a tone."""
    return Below(name=f"{tone_hz:.1f} Hz", tone_hz=tone_hz)


def of_code(code: str) -> Below:
    """Return a code, `D023N` or `D023I`."""
    return Below(name=code, code=code)


def bits_of(code: str) -> tuple[int, ...]:
    """Return the 23 bits of `D023N`, in the order of sending; of `D023I` the same with their levels turned round."""
    from sequencer.dsp import signalling as dsp

    word = dsp.word_of(code[1:4])
    return word if code[4] == "N" else dsp.inverted(word)


def inverse_of(code: str) -> Below:
    """Return a code with its levels turned round; its name says as which listed code that is sent too."""
    from sequencer.dsp import signalling as dsp

    turned = f"{code[:4]}{'I' if code[4] == 'N' else 'N'}"
    bits = bits_of(turned)
    other = next((one for one in lists().codes.octal if dsp.bits_apart(bits, dsp.word_of(one)) == 0), "")
    same = f" (D{other}N)" if other and f"D{other}N" != turned else ""
    return Below(name=f"{turned}{same}", code=turned)


def listed_neighbours(tone_hz: float) -> tuple[float, ...]:
    """Return the tones beside a listed one, in the first list that has it, or among all where that is not the standard one.

    None of a tone that no list has.
    """
    standard = lists().tones[0].hz
    among = standard if tone_hz in standard else sorted(hz for one in lists().tones for hz in one.hz)
    if tone_hz not in among:
        return ()
    at = list(among).index(tone_hz)
    return tuple(among[beside] for beside in (at - 1, at + 1) if 0 <= beside < len(among))


def nearest_listed_hz(tone_hz: float) -> float:
    """Return the listed tone that is nearest."""
    return min((hz for one in lists().tones for hz in one.hz), key=lambda hz: abs(hz - tone_hz))


def far_from(own: Below) -> Below:
    """Return a listed tone or code that no decoder takes for ``own``: far away, or as many bits apart as there are."""
    from sequencer.dsp import signalling as dsp

    if own.tone_hz is not None:
        own_hz = own.tone_hz
        apart = [hz for hz in lists().tones[0].hz if not own_hz / FAR < hz < own_hz * FAR]
        return of_tone(min(apart, key=lambda hz: abs(hz - own_hz)))
    bits = bits_of(own.code)
    both = (bits, dsp.inverted(bits))
    octal = max(
        lists().codes.octal, key=lambda one: min(dsp.bits_apart(dsp.word_of(one), some) for some in both)
    )
    return of_code(f"D{octal}N")


def others(own: Below) -> Iterator[Below]:
    """Give every other listed tone, or code, that a unit may have been set to in the place of its own."""
    if own.tone_hz is not None:
        for one in lists().tones:
            yield from (of_tone(hz) for hz in one.hz if hz != own.tone_hz)
        return
    yield inverse_of(own.code)
    yield from (of_code(f"D{octal}N") for octal in lists().codes.octal if f"D{octal}N" != own.code)
