"""The specimen values: the channel plan, and what is refused."""

from __future__ import annotations

import pytest

from sim.radio.unit import (
    CEPT_FREQUENCIES_HZ,
    ChannelMemory,
    Dropouts,
    Knobs,
    Receiver,
    SignalMeter,
    Specimen,
)

# Rows of the published table (BNetzA Vfg 11/2016; agrees with 47 CFR 95.963), MHz.
PUBLISHED_MHZ = {
    1: 26.965, 3: 26.985, 4: 27.005, 8: 27.055, 13: 27.115, 19: 27.185, 20: 27.205, 22: 27.225,
    23: 27.255, 24: 27.235, 25: 27.245, 26: 27.265, 40: 27.405,
}  # fmt: skip


def test_channel_plan_matches_the_published_table() -> None:
    """The plan made by rule has the published frequencies, and their published sum of 1087.850 MHz."""
    memory = ChannelMemory()
    for channel, frequency_mhz in PUBLISHED_MHZ.items():
        assert memory.channel_frequency_hz(channel) == pytest.approx(frequency_mhz * 1e6)
    assert len(set(CEPT_FREQUENCIES_HZ)) == 40
    assert sum(CEPT_FREQUENCIES_HZ) == pytest.approx(1_087.850e6)


def test_channels_are_overridden_singly() -> None:
    """An override changes its own channel only."""
    memory = ChannelMemory(frequency_hz={23: 27.235e6})
    assert memory.channel_frequency_hz(23) == 27.235e6
    assert memory.channel_frequency_hz(24) == CEPT_FREQUENCIES_HZ[23]


@pytest.mark.parametrize("channel", [0, 41, -1])
def test_absent_channels_are_refused(channel: int) -> None:
    """A channel that is not stored is refused, with those that are."""
    with pytest.raises(ValueError, match="1 to 40"):
        ChannelMemory().channel_frequency_hz(channel)


@pytest.mark.parametrize("mode", ["AM", "USB", "fm"])
def test_unsupported_modes_are_refused(mode: str) -> None:
    """A specimen with a mode that is not modelled is refused, naming what is."""
    with pytest.raises(ValueError, match=r"modes: .* is not allowed; allowed: FM"):
        Specimen(serial="1", modes=("FM", mode))


def test_impossible_values_are_refused() -> None:
    """Values that no unit can have name their field and what is allowed."""
    with pytest.raises(ValueError, match="bandwidth_hz: 0"):
        Receiver(bandwidth_hz=0.0)
    with pytest.raises(ValueError, match="noise_figure_db: nan"):
        Receiver(noise_figure_db=float("nan"))
    with pytest.raises(ValueError, match=r"rf_gain: 1\.2 .* allowed: 0 to 1"):
        Knobs(rf_gain=1.2)
    with pytest.raises(ValueError, match="thresholds_dbm"):
        SignalMeter(kind="segments")
    with pytest.raises(ValueError, match="levels that rise"):
        SignalMeter(kind="segments", thresholds_dbm={1: -70.0, 2: -80.0})
    with pytest.raises(ValueError, match="side: 'up'"):
        Dropouts(side="up")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="serial"):
        Specimen(serial=" ")
