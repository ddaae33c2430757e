"""A spectrum analyser that a person sets and reads: one marker on the highest line of the screen; traces are not read by eye."""

from __future__ import annotations

from typing import Any

from typing_extensions import override

from drivers.operator import dial as dials
from drivers.operator.gathered import Step
from drivers.operator.instruments import Operated, mhz_text
from drivers.roles import Reading, SpectrumAnalyser, SpectrumSettings


class OperatorSpectrumAnalyser(Operated[SpectrumAnalyser], SpectrumAnalyser):
    """A spectrum analyser that a person sets and reads."""

    noun = "spectrum analyser"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._stands: SpectrumSettings | None = None
        self._wanted: SpectrumSettings | None = None

    @override
    def configure_spectrum(self, settings: SpectrumSettings) -> SpectrumSettings:
        """Ask for it to be set, where it stands otherwise; the person's word is all there is."""
        self._wanted = settings
        if settings == self._stands:
            self._prompter.drop("spectrum")
            return settings
        if self._twin is not None:
            self._twin.configure_spectrum(settings)
        self._last.clear()

        def stands(at: SpectrumSettings | None) -> None:
            self._stands = at

        text = f"Set {self._prompter.called} to {settings_text(settings)}."
        self._prompter.later(
            "spectrum", Step(text=text, begun=lambda: stands(None), done=lambda: stands(settings))
        )
        return settings

    @override
    def read_highest_dbm(self) -> Reading:
        where = "" if self._wanted is None else f" about {mhz_text(self._wanted.centre_hz)}"
        return self._read(
            f"the highest line{where} on {self._prompter.called}, with its marker",
            dials.spectrum_dial(),
            lambda twin: twin.read_highest_dbm(),
        )


def settings_text(settings: SpectrumSettings) -> str:
    """Return the settings as they are called on an analyser's panel."""
    parts = [
        f"centre {mhz_text(settings.centre_hz)}",
        f"span {settings.span_hz / 1e3:g} kHz" if settings.span_hz else "zero span",
        f"resolution bandwidth {settings.resolution_bandwidth_hz / 1e3:g} kHz",
        f"detector {settings.detector}",
        f"reference level {settings.reference_level_dbm:g} dBm",
        f"attenuation {settings.attenuation_db:g} dB",
    ]
    if settings.sweep_time_s is not None:
        parts.append(f"sweep time {settings.sweep_time_s:g} s")
    return ", ".join(parts)
