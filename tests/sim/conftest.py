"""The specimen instrument that the tests of the SCPI half of the simulated bench share."""

from __future__ import annotations

import math

import pytest

from sim.scpi.device import (
    Boolean,
    Channels,
    Choice,
    Data,
    Later,
    Number,
    ScpiDevice,
    ScpiError,
    Text,
    command,
    setting,
)


class Specimen(ScpiDevice):
    """An invented instrument with one command of every kind."""

    identity = ("Invented", "Specimen", "0042", "1.0")

    frequency_hz = setting(
        "[:SOURce]:FREQuency[:CW|:FIXed]",
        Number("Hz", minimum=100e3, maximum=1e9, default=100e6, resolution=0.01),
    )
    level_dbm = setting(
        "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
        Number("dBm", minimum=-140, maximum=13, default=-140, resolution=0.01),
    )
    output_on = setting(":OUTPut[:STATe]", Boolean(default=False))
    tone_hz = setting(
        "[:SOURce]:FM:INTernal<1:2>:FREQuency", Number("Hz", minimum=20, maximum=20e3, default=1e3)
    )
    fm_source = setting("[:SOURce]:FM:SOURce", Choice("INTernal", "EXTernal", default="INTernal"))
    voltage_v = setting(":VOLTage", Number("V", minimum=0, maximum=30, default=5))
    load_ohm = setting(":LOAD", Number("OHM", minimum=1, maximum=100e6, default=50))
    function = setting(":SENSe:FUNCtion[:ON]", Text(default="FM"))
    averages = setting(":SENSe:AVERage:COUNt", Number(integer=True, minimum=1, maximum=100, default=4))
    trace = setting(":TRACe[:DATA]", Data(default=b"\n;\xff", longest=100))

    def __init__(self, clock) -> None:
        super().__init__(clock)
        self.closed: set[int] = set()
        self.sample = math.nan
        self.triggers = 0

    @frequency_hz.changed
    def _retuned(self) -> None:
        self.begin("SETTling", 0.1)

    @level_dbm.check
    def _limit_level(self, level_dbm: float) -> None:
        if level_dbm > 0 and self.frequency_hz > 500e6:
            raise ScpiError(-221, "0 dBm at most above 500 MHz")

    @command(":MEASure[:SCALar]:POWer?", Number("dBm", minimum=-60, maximum=30, optional=True))
    def measure(self, expected_dbm: float | None) -> Later:
        """Take 250 ms for the level."""
        return Later(0.25, lambda: self.level_dbm)

    @command(":READ?")
    def read(self) -> float:
        """Return the sample, at first none."""
        return self.sample

    @command(":FETCh?")
    def fetch(self) -> float:
        """Refuse: nothing valid is there."""
        raise ScpiError(-230)

    @command(":ROUTe:CLOSe", Channels(maximum=8))
    def close_channels(self, channels: tuple[int, ...]) -> None:
        """Close relays."""
        self.closed |= set(channels)

    @command(":ROUTe:CLOSe?", Channels(maximum=8))
    def which_closed(self, channels: tuple[int, ...]) -> list[bool]:
        """Tell which are closed."""
        return [channel in self.closed for channel in channels]

    @command(":SYSTem:NAME?", indefinite=True)
    def name(self) -> str:
        """Say something without an inner end."""
        return "a specimen"

    @command(":CONFigure:RANGe", Number("V", minimum=0, maximum=10, default=1), Boolean(optional=True))
    def configure(self, range_v: float, auto: bool | None) -> None:
        """Take one or two parameters."""
        self.sample = range_v

    @command(":HANG?")
    def hang(self) -> Later:
        """Never become ready."""
        return Later(math.inf, 1)

    def on_trigger(self) -> None:
        """Count triggers."""
        self.triggers += 1


@pytest.fixture(scope="session")
def specimen_class() -> type[Specimen]:
    """The class of the specimen instrument."""
    return Specimen


@pytest.fixture
def specimen() -> Specimen:
    """A specimen on a virtual clock of its own, its power-on bit read away."""
    from sim.clock import VirtualClock

    device = Specimen(VirtualClock())
    device.event_status = 0
    return device
