"""A filter that takes the carrier out before the analyser: what noise hides without it is measured; what it cannot bear is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.spectral import results, run
from tests.support.truth import TrueUnit

NOTCH = Path("sim/notch-bench.yaml")
HARMONICS = "check: harmonics, channel: 20, up_to: 4, limit: {max: 4 nW}"
BELOW_DB = (-93.0, -95.0, -98.0)
"""What harmonics 2 to 4 of the specimen lie below its carrier: they stand in its file, by default."""
SPURIOUS = (
    "check: spurious_emissions, channel: 20, "
    "mask: [{from: 47 MHz, to: 74 MHz, resolution_bandwidth: 100 kHz, max: 4 nW}]"
)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Result]:
    """The harmonics and a range of a sound unit through the filter."""
    folder = tmp_path_factory.mktemp("notch")
    return dict(results(run(folder, "M40-0041", HARMONICS, SPURIOUS, bench=NOTCH)))


def test_harmonics_of_two_nanowatts_are_measured_through_the_filter(seen: dict[str, Result]) -> None:
    """Each lies within U of what the specimen sends, as a power and below the carrier, and passes 4 nW."""
    power_w = TrueUnit("M40-0041", "FM", 20).unit.specimen.transmitter.power_w
    for order, below_db in enumerate(BELOW_DB, start=2):
        one, ratio = seen[f"harmonic {order}"], seen[f"harmonic {order} below carrier"]
        assert one.uncertainty is not None
        assert ratio.uncertainty is not None
        assert one.value == pytest.approx(power_w * 10.0 ** (below_db / 10.0), abs=one.uncertainty)
        assert ratio.value == pytest.approx(-below_db, abs=ratio.uncertainty)
        assert "at most" not in one.note
        assert one.decision is Decision.PASS


def test_a_range_of_4_nw_is_decided_through_the_filter(seen: dict[str, Result]) -> None:
    """Its noise lies below the limit: what is there is at most less than 4 nW; the harmonic in it is the highest line."""
    one = seen["spurious, 47 MHz to 74 MHz"]
    assert one.decision is Decision.PASS
    assert one.value is not None
    assert one.value < 4e-9


def test_the_filter_stands_in_the_budget(seen: dict[str, Result]) -> None:
    """Its loss and its matches are contributions, and the ratio rests on the power meter, which hangs before it."""
    sources = {part.source for part in seen["harmonic 2"].budget.contributions}  # type: ignore[union-attr]
    assert {
        "filter before the analyser, loss",
        "mismatch, path to filter before the analyser",
        "mismatch, filter to spectrum analyser",
    } <= sources
    of_ratio = {part.source for part in seen["harmonic 2 below carrier"].budget.contributions}  # type: ignore[union-attr]
    assert "power meter, accuracy" in of_ratio


def test_without_the_filter_nothing_is_known_of_them(tmp_path: Path) -> None:
    """The same unit on the bench without it: not measured, and the filter is named as the way out."""
    found = results(run(tmp_path, "M40-0041", HARMONICS))
    for order in (2, 3, 4):
        assert found[f"harmonic {order}"].decision is Decision.NOT_MEASURED
        assert (
            "a filter that takes the carrier out ('paths.notch') would show more"
            in found[f"harmonic {order}"].note
        )


def test_what_lies_below_the_noise_behind_the_filter_is_said(tmp_path: Path) -> None:
    """A limit that the analyser's own noise hides even so is not decided, and the words do not ask for a second filter."""
    check = SPURIOUS.replace("max: 4 nW", "max: 100 pW").replace("47 MHz, to: 74", "60 MHz, to: 74")
    one = results(run(tmp_path, "M40-0041", check, bench=NOTCH))["spurious, 60 MHz to 74 MHz"]
    assert one.decision is Decision.NOT_MEASURED
    assert "the filter takes the carrier out, and the rest is the analyser's own" in one.note


def test_a_table_that_ends_below_what_is_looked_at_is_refused(tmp_path: Path) -> None:
    """The loss of the filter at the highest harmonic is not known: refused in words, before anything is sent."""
    with pytest.raises(
        FileProblems, match=r"filter before the analyser \(paths.notch\) ends at 54 MHz, and 108.82 MHz"
    ):
        run(
            tmp_path,
            "M40-0041",
            HARMONICS,
            bench=NOTCH,
            **{"54 MHz: 0.7 dB,\n    1 GHz: 1.5 dB}": "54 MHz: 0.7 dB}"},
        )


@pytest.mark.parametrize("check", ["adjacent_channel_power", "occupied_bandwidth"])
def test_the_channel_itself_is_not_looked_at_through_the_filter(tmp_path: Path, check: str) -> None:
    """What the filter takes out cannot be summed: refused with both ways on."""
    with pytest.raises(FileProblems, match="takes the carrier out, and with it the channel") as refused:
        run(tmp_path, "M40-0041", f"check: {check}, channel: 20, drive: 10 mV", bench=NOTCH)
    assert "'read: samples', or a bench file without 'notch'" in str(refused.value)
