"""The simulated RF signal generator.

Words, errors and accuracy: as in base.py. A second source of FM adds to the first; alone it is the tone that is heard. Not modelled:
harmonics, what its own noise does to its own modulation (beside its carrier it has ``noise``), leakage, switching transients of the
attenuator, what the sum of both sources swings beyond the first.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from sim.instruments.base import MAKER, BenchInstrument
from sim.rf_signal import Below, RfSignal, SourceNoise
from sim.scpi.device import Boolean, Choice, Number, Text, command, setting
from sim.wiring.wiring import Wiring


class SignalGenerator(BenchInstrument):
    """An RF signal generator, 100 kHz to 3 GHz, −137 to +13 dBm, settling in 30 ms.

    While it settles its output is 3 dB low: a reading that did not wait is wrong.
    """

    identity = (MAKER, "SG-2", "2201", "1.4")
    SETTLE_S = 0.030
    UNSETTLED_DB = -3.0
    worn_db: float = 0.0
    """By how much it has got high since it was adjusted, dB."""
    noise: SourceNoise | None = None
    """What noise it truly has beside its carrier, whatever is stated of it; none unless it is told."""
    step_db: float | None = None
    """The steps of its level, where they are coarser than 0.01 dB: it takes the nearest, and reads it back."""

    unit_of_power = setting(":UNIT:POWer", Choice("DBM", default="DBM"))
    frequency_hz = setting(
        "[:SOURce]:FREQuency[:CW|:FIXed]", Number("Hz", minimum=1e5, maximum=3e9, default=1e8, resolution=0.1)
    )
    level_dbm = setting(
        "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
        Number("dBm", minimum=-137.0, maximum=13.0, default=-137.0, resolution=0.01),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))
    fm_on = setting("[:SOURce]:FM<1:2>:STATe", Boolean(default=False))
    fm_hz = setting(
        "[:SOURce]:FM<1:2>[:DEViation]", Number("Hz", minimum=0, maximum=1e5, default=1e3, resolution=1.0)
    )
    fm_source = setting("[:SOURce]:FM:SOURce", Choice("INTernal", "EXTernal", default="INTernal"))
    fm_tone_hz = setting(
        "[:SOURce]:FM<1:2>:INTernal:FREQuency",
        Number("Hz", minimum=10, maximum=2e4, default=1e3, resolution=0.1),
    )
    fm_shape = setting(
        "[:SOURce]:FM<1:2>:INTernal:FUNCtion[:SHAPe]", Choice("SINusoid", "DATA", default="SINusoid")
    )
    fm_bits = setting("[:SOURce]:FM<1:2>:INTernal:DATA", Text(default="10"))
    fm_bit_rate = setting(
        "[:SOURce]:FM<1:2>:INTernal:DATA:RATE",
        Number(minimum=1, maximum=2e4, default=134.4, resolution=0.01),
    )
    am_on = setting("[:SOURce]:AM:STATe", Boolean(default=False))
    am_percent = setting(
        "[:SOURce]:AM[:DEPTh]", Number("PCT", minimum=0, maximum=100, default=30, resolution=0.1)
    )
    am_source = setting("[:SOURce]:AM:SOURce", Choice("INTernal", "EXTernal", default="INTernal"))
    am_tone_hz = setting(
        "[:SOURce]:AM:INTernal:FREQuency", Number("Hz", minimum=10, maximum=2e4, default=1e3, resolution=0.1)
    )
    levelling = setting("[:SOURce]:POWer:ALC[:STATe]", Boolean(default=True))

    def __init__(
        self,
        clock: Any,
        wiring: Wiring,
        rng: np.random.Generator,
        apply: Callable[[RfSignal | None], None],
        *,
        serial: str = "2201",
        level_error_db: float = 0.25,
        frequency_error_ppm: float = 0.05,
    ) -> None:
        super().__init__(clock, wiring, rng)
        maker, model, _, firmware = self.identity
        self.identity = (maker, model, serial, firmware)
        self._apply = apply
        self._delivered: RfSignal | None = None
        self._level_error_db = self.within(level_error_db)
        self._frequency_error_ppm = self.within(frequency_error_ppm)
        self._settled_at_s = -math.inf
        self._settled = True

    @frequency_hz.changed
    @level_dbm.changed
    def _moved(self) -> None:
        self.look()
        if self.step_db is not None:
            self.settings["level_dbm"] = round(self.level_dbm / self.step_db) * self.step_db
        self._settled, self._settled_at_s = False, self.moment_s + self.SETTLE_S
        self.begin("SETTling", self.SETTLE_S)
        self._deliver()

    @output_on.changed
    @fm_on.changed
    @fm_hz.changed
    @fm_tone_hz.changed
    @am_on.changed
    @am_percent.changed
    @am_tone_hz.changed
    @fm_shape.changed
    @fm_bits.changed
    @fm_bit_rate.changed
    def _deliver(self, *_sources: int) -> None:
        self.look()
        self._delivered = self._signal()
        self._apply(self._delivered)

    @command(":OUTPut:MODulation[:STATe]", Boolean())
    def all_modulation(self, on: bool) -> None:
        """Switch all modulation off; switching it on again is a matter of each kind."""
        if not on:
            self.am_on = False
            self.fm_on[1] = self.fm_on[2] = False
            self._deliver()

    def catch_up(self) -> None:
        """Let the output stand if its time has come, and the unit hear it since then, however late anybody looks.

        Called before anything else brings the unit up to now: its lags do not go back.
        """
        if self._settled or self.clock.now_s() < self._settled_at_s:
            return
        self._settled = True
        if self._delivered is None:
            return
        self._delivered = replace(self._delivered, level_dbm=self._delivered.level_dbm - self.UNSETTLED_DB)
        paths = self.wiring.paths
        arrived_s = -math.inf if paths.moving else paths.arrives_s
        wanted, interferer, *_ = (*(paths.at_antenna(each.delivered) for each in self._generators()), None)
        self.wiring.unit.apply_rf(wanted, interferer, max(self._settled_at_s, arrived_s))
        self._apply(self._delivered)

    @property
    def delivered(self) -> RfSignal | None:
        """What leaves its connector."""
        return self._delivered

    def _generators(self) -> list[SignalGenerator]:
        return [each for each in self.movers if isinstance(each, SignalGenerator)] or [self]

    def operation_condition(self) -> int:
        """Let the output stand in time; the SETTling bit itself is held by `begin`."""
        self.catch_up()
        return 0

    def _signal(self) -> RfSignal | None:
        if not self.output_on:
            return None
        unsettled_db = 0.0 if self._settled else self.UNSETTLED_DB
        below = self._below() if self.fm_on[2] else None
        deviation_hz, tone_hz = self.fm_hz[1] if self.fm_on[1] else 0.0, self.fm_tone_hz[1]
        if below is not None and below.tone_hz and not self.fm_on[1]:
            deviation_hz, tone_hz = below.deviation_hz, below.tone_hz
        has_fm = self.fm_on[1] or deviation_hz > 0.0
        return RfSignal(
            level_dbm=self.level_dbm + self._level_error_db + self.worn_db + unsettled_db,
            frequency_hz=self.frequency_hz * (1.0 + 1e-6 * self._frequency_error_ppm),
            fm_deviation_hz=deviation_hz,
            am_depth_percent=self.am_percent if self.am_on else 0.0,
            tone_hz=tone_hz if has_fm else self.am_tone_hz,
            below=below,
            noise=self.noise,
        )

    def _below(self) -> Below:
        """Return what the second source makes."""
        if self.fm_shape[2] == "DATA":
            return Below(deviation_hz=self.fm_hz[2], bits=self.fm_bits[2], bit_rate=self.fm_bit_rate[2])
        return Below(deviation_hz=self.fm_hz[2], tone_hz=self.fm_tone_hz[2])
