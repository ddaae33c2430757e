"""What a second generator's noise makes of a ratio: arithmetic by hand, what the results say of it, and the unit's truth.

What its noise alone would give is worked out from the textbook: what of it lies on the channel (level + density + 10 log of the filter's
noise bandwidth; common practice, no source) spoils as a carrier on the channel of that level does, and powers add.
"""

from __future__ import annotations

from functools import cache
from math import log10
from pathlib import Path

import pytest

from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench
from sim.instruments.signal_generator import SignalGenerator
from sim.rf_signal import SourceNoise
from tests.support.running import run_checks
from tests.support.truth import INTERFERER, TrueUnit, where, write_bench

CHECK = "{{check: blocking, channel: 20, wanted: -107 dBm, target: 14 dB SINAD, offsets: [1 MHz], limit: {{min: {least} dB}}}}"
QUANTITY = "blocking, +1 MHz"


@pytest.mark.parametrize(
    ("noise", "serial", "least", "said", "measured"),
    [
        # -(-135 + 10 log 8000) - 14 = 82 dB, worked out by hand: within 10 dB of what the sound unit rejects
        ("-110 dB, far_noise: -135 dB", "M40-0061", 84, "own noise alone gives about 82 dB", True),
        ("-110 dB, far_noise: -135 dB", "M40-0061", 99, "a quieter generator would show how much", False),
        ("-140 dB, far_noise: -165 dB", "M40-0061", 84, "", True),
        ("-110 dB, far_noise: -135 dB", "M40-0062", 84, "", True),  # 70 dB: far from it
        ("", "M40-0062", 84, "own noise is not stated", True),
        ("", "M40-0061", 84, "", True),
    ],
)
def test_a_ratio_says_where_the_generator_bounds_it(
    tmp_path: Path, noise: str, serial: str, least: float, said: str, measured: bool
) -> None:
    """A pass is at least so much; a failure near the generator's own noise is none; where nothing is stated a failure says so."""
    stated = noise.replace(", far", "\n    far")
    second = INTERFERER + (f"    phase_noise: {stated}\n" if noise else "")
    bench = write_bench(tmp_path, interferer=second)
    found = run_checks(tmp_path, serial, CHECK.format(least=least), bench=bench).found(QUANTITY)
    assert (found.value is not None) is measured, found.note
    assert said in found.note
    assert bool(said) == ("own noise" in found.note)
    assert found.bound == ("at least" if measured and "about 82 dB" in said else "")


NOISE_BANDWIDTH_DB = 10.0 * log10(
    8_033.0
)  # a Butterworth of ten poles, 8 kHz at 3 dB: pi / 20 / sin(pi / 20) of that
NOISY, QUIET = (-110.0, -135.0), (-140.0, -165.0)
"""10 kHz beside the carrier, and far from it, dBc in 1 Hz."""


@cache
def true_ratio_db(offset_hz: float) -> float:
    """Return the ratio at which a carrier without noise brings the sound unit from -107 dBm down to 14 dB SINAD."""
    true = TrueUnit("M40-0061", "FM", 20)
    wanted = true.carrier(-107.0, fm_deviation_hz=1_200.0)
    return 107.0 + where(
        lambda level_dbm: true.hear(wanted, true.carrier(level_dbm, offset_hz)).mean_sinad_db(),
        14.0,
        -130.0,
        5.0,
    )


def with_noise_db(far_dbc: float) -> float:
    """Return the ratio at 1 MHz that unit and noise give together."""
    noise_alone_db = true_ratio_db(0.0) - far_dbc - NOISE_BANDWIDTH_DB
    return -10.0 * log10(10.0 ** (-true_ratio_db(1e6) / 10.0) + 10.0 ** (-noise_alone_db / 10.0))


def measured(
    folder: Path,
    *,
    stated: tuple[float, float] | None,
    truly: tuple[float, float] | None = None,
    seed: int = 1,
    least: float = 60.0,
) -> Result:
    """Return what is measured with a second generator that states ``stated`` and has ``truly``, which is the same unless it is given."""

    def make_noisy(simulation: SimulatedBench) -> None:
        second = next(
            one
            for address, one in simulation.devices.items()
            if isinstance(one, SignalGenerator) and "192.0.2.19" in address
        )
        if truly is not None:
            second.noise = SourceNoise(near_dbc=truly[0], far_dbc=truly[1])

    said = "" if stated is None else f"    phase_noise: {stated[0]} dB\n    far_noise: {stated[1]} dB\n"
    bench = write_bench(folder, seed=seed, interferer=INTERFERER + said)
    check = CHECK.format(least=least)
    return run_checks(folder, "M40-0061", check, bench=bench, before=make_noisy).found(QUANTITY)


@pytest.mark.parametrize("seed", range(1, 6))
def test_of_a_noisy_generator_it_is_a_bound_that_holds(tmp_path: Path, seed: int) -> None:
    """What is read is the generator's noise, as the textbook has it, and not the unit, of which "at least" is true."""
    found = measured(tmp_path, stated=NOISY, seed=seed)
    assert found.value is not None, found.note
    assert found.uncertainty is not None
    assert abs(found.value - with_noise_db(NOISY[1])) <= found.uncertainty
    assert found.value + found.uncertainty < true_ratio_db(1e6) - 3.0
    assert found.bound == "at least"


@pytest.mark.parametrize("seed", range(1, 6))
def test_of_a_quiet_generator_it_is_the_unit_s(tmp_path: Path, seed: int) -> None:
    """It lies within its uncertainty of the unit's truth, and is no bound."""
    found = measured(tmp_path, stated=QUIET, seed=seed)
    assert found.value is not None, found.note
    assert found.uncertainty is not None
    assert abs(found.value - true_ratio_db(1e6)) <= found.uncertainty
    assert found.bound == ""


@pytest.mark.parametrize("far_dbc", [-163.0, -155.0, -150.0, -145.0, -125.0, -115.0])
def test_what_is_called_the_unit_s_is_the_unit_s(tmp_path: Path, far_dbc: float) -> None:
    """However noisy it is: what is no bound lies within its uncertainty of the truth, and what is one is true."""
    found = measured(tmp_path, stated=(-200.0, far_dbc))
    assert found.value is not None, found.note
    assert found.uncertainty is not None
    assert found.value - found.uncertainty <= true_ratio_db(1e6)
    assert abs(found.value - with_noise_db(far_dbc)) <= found.uncertainty
    if not found.bound:
        assert abs(found.value - true_ratio_db(1e6)) <= found.uncertainty
    assert bool(found.bound) == (far_dbc > -156.0)


def test_a_failure_by_noise_that_nobody_stated_says_what_it_may_be(tmp_path: Path) -> None:
    """The sound unit fails 90 dB by the generator's noise: the result says that this is not stated; stated, it is no failure."""
    unstated = measured(tmp_path, stated=None, truly=NOISY, least=90.0)
    assert unstated.decision is Decision.FAIL
    assert "own noise is not stated" in unstated.note
    stated = measured(tmp_path, stated=NOISY, least=90.0)
    assert stated.decision is Decision.NOT_MEASURED
    assert "a quieter generator would show how much" in stated.note


def test_what_is_stated_is_believed_and_errs_to_the_low_side(tmp_path: Path) -> None:
    """A generator noisier than it states is not found out: the unit looks worse, never better. One that is quieter only bounds."""
    worse = measured(tmp_path, stated=QUIET, truly=NOISY)
    assert worse.value is not None
    assert worse.uncertainty is not None
    assert worse.bound == ""
    assert worse.value + worse.uncertainty < true_ratio_db(1e6)
    better = measured(tmp_path, stated=NOISY, truly=QUIET)
    assert better.value is not None
    assert better.uncertainty is not None
    assert better.bound == "at least"
    assert better.value - better.uncertainty <= true_ratio_db(1e6)
