"""`path_loss` on the simulated bench: the numbers, the table, and what happens when a person or a file says no."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from sequencer.checks.bench.path_loss import PathLoss, PathLossSettings
from sequencer.inputs.bench_parts.loss_table import load_table
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.rig import Nodding, Rig

PAD = "{check: path_loss, name: pad A, frequencies: [26 MHz, 27.205 MHz, 30 MHz], file: losses/pad.yaml}"
HEAD = "sequence: Losses\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"


def _sequence(*checks: str) -> str:
    return HEAD + "".join(f"  - {one}\n" for one in checks)


class Saying:
    """Says yes to the first questions and no from then on."""

    how = "said"

    def __init__(self, yes: int) -> None:
        self.asked: list[str] = []
        self._yes = yes

    def confirm(self, text: str) -> bool:
        """Answer."""
        self.asked.append(text)
        return len(self.asked) <= self._yes


@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("of", ["cable", "receive", "transmit"])
def test_the_loss_that_is_found_is_the_true_one(make_rig: Callable[..., Rig], seed: int, of: str) -> None:
    """Over eight seeds a pad and both paths lie within U of what the simulation was built with, and U is not much too wide.

    The truth is asked of `sim.wiring.paths.PathLosses`, which shares no formula with the engine; each simulated connection adds an error of
    connectors and mismatch of its own, and both paths differ from the bench file's losses by up to 0.05 dB.
    """
    wanted = f"{{check: path_loss, of: {of}, frequencies: [27 MHz, 27.4 MHz]}}"
    rig = make_rig(sequence=_sequence(wanted), seed=seed)
    losses = rig.simulation.wiring.paths.losses
    true_db = {
        "cable": losses.cable_loss_db,
        "receive": losses.receive_loss_db,
        "transmit": losses.transmit_loss_db,
    }[of]
    outcome = rig.run()
    assert len(outcome.results) == 2
    for result in outcome.results:
        assert result.value is not None
        assert result.uncertainty is not None
        assert result.frequency_hz is not None
        error_db = result.value - true_db(result.frequency_hz)
        assert abs(error_db) < result.uncertainty
        assert 0.05 < result.uncertainty < 0.4


def test_a_stated_linearity_narrows_the_uncertainty(make_rig: Callable[..., Rig]) -> None:
    """Without a linearity the meter's accuracy stands for it (3 %: 0.13 dB); a stated one of 0.02 dB makes U smaller."""
    plain, stated = (
        make_rig(sequence=_sequence(PAD.replace(", file: losses/pad.yaml", "")), **changes).run().results[0]
        for changes in ({}, {"instruments": {"power_meter": {"accuracy": {"linearity": "0.02 dB"}}}})
    )
    assert plain.budget is not None
    sources = [part.source for part in plain.budget.contributions]
    assert "power meter, accuracy in place of a stated linearity" in sources
    assert stated.uncertainty is not None
    assert plain.uncertainty is not None
    assert stated.uncertainty < 0.9 * plain.uncertainty


def test_mismatch_of_a_substitution_by_hand() -> None:
    """VSWR 1.3 and 1.1 are reflections of 0.1304 and 0.0476, whose mismatch is 20 lg(1 + 0.00621) = +0.054 dB at worst.

    Worked by hand from the usual formula (reflection (s-1)/(s+1), mismatch 20 lg(1 ± product); from memory, no handbook at hand).
    """
    worst_db = 20.0 * math.log10(1.0 + (0.3 / 2.3) * (0.1 / 2.1))
    assert worst_db == pytest.approx(0.0538, abs=1e-3)
    from sequencer.uncertainty.contributions import mismatch
    from sequencer.units.convert import reflection_from_vswr

    found = mismatch("m", reflection_from_vswr(1.3), reflection_from_vswr(1.1))
    # U-shaped: the standard uncertainty is the half-width over the square root of two
    assert found.standard == pytest.approx(worst_db / math.sqrt(2.0), rel=0.02)


def test_nothing_is_on_while_cables_are_moved(make_rig: Callable[..., Rig]) -> None:
    """At each question the generator reads off and the unit's supply too; the unit is never keyed, and is fed again afterwards."""
    rig = make_rig(
        sequence=_sequence(
            PAD.replace(", file: losses/pad.yaml", ""), "{check: carrier_power, channel: 20, readings: 2}"
        )
    )
    states: list[tuple[bool, bool, bool]] = []

    class Looking(Nodding):
        def confirm(self, text: str) -> bool:
            states.append(
                (
                    rig.device("signal_generator").output_on,
                    rig.device("supply").output_on,
                    rig.simulation.unit.keyed,
                )
            )
            return super().confirm(text)

    person = Looking()
    outcome = rig.run(person)
    assert states == [(False, False, False)] * 3
    assert [text.partition(":")[0] for text in person.asked] == [
        "Reference for pad A",
        "pad A",
        "All cables are as the bench needs them",
    ]
    assert outcome.results[-1].check == "carrier_power"
    assert outcome.results[-1].value == pytest.approx(3.7, abs=0.3)


@pytest.mark.parametrize("yes", [0, 1, 2])
def test_cables_that_are_not_confirmed_back_stop_everything_after_them(
    make_rig: Callable[..., Rig], yes: int
) -> None:
    """Whoever says no leaves a bench on which nothing is fed, keyed or sent, and the last line says what to do."""
    rig = make_rig(
        sequence=_sequence(
            PAD.replace(", file: losses/pad.yaml", ""),
            "{check: carrier_power, channel: 20, readings: 2}",
            "{check: sensitivity, channel: 20, target: 12 dB SINAD, accuracy: 3 dB}",
        )
    )
    outcome = rig.run(Saying(yes))
    assert all(result.decision is Decision.NOT_MEASURED for result in outcome.results)
    assert "not confirmed by the person at the bench" in outcome.results[0].note
    assert "cables were moved by hand and were not confirmed back" in outcome.results[-1].note
    assert outcome.safe_state.confirmed
    assert "CABLES WERE MOVED BY HAND" in outcome.safe_state.last_line()
    assert not rig.device("supply").output_on
    assert not any(message.startswith(":CONTrol:KEY:STATe 1") for message in rig.sent("radio"))


def test_a_fault_in_the_middle_leaves_generator_and_supply_off(make_rig: Callable[..., Rig]) -> None:
    """A power meter that falls silent while the generator is on: off, not measured, and nothing fed before the cables are back."""
    rig = make_rig(sequence=_sequence(PAD.replace(", file: losses/pad.yaml", "")))
    rig.inject("power_meter", Fault(kind=FaultKind.TIMEOUT, skip=12, times=None))
    outcome = rig.run()
    assert {result.decision for result in outcome.results} == {Decision.NOT_MEASURED}
    assert not rig.device("signal_generator").output_on
    assert not rig.device("supply").output_on
    assert "CABLES WERE MOVED BY HAND" in outcome.safe_state.last_line()


def test_the_table_says_what_it_is_and_the_bench_reads_it(
    make_rig: Callable[..., Rig], bench_file: Callable[..., Path]
) -> None:
    """Losses, uncertainties, instruments, date and "simulated" are in the table; a bench file that names it has its losses."""
    rig = make_rig(sequence=_sequence(PAD))
    outcome = rig.run()
    folder = rig.plan.bench.path.parent
    (path,) = (folder / "losses").iterdir()
    assert path.name == "pad-simulated.yaml"
    table = load_table(path).table
    assert (table.loss_table, table.day, table.simulated, table.run) == (
        "pad A",
        datetime.now().astimezone().date(),
        True,
        "test",
    )
    assert table.instruments["signal_generator"].identity.startswith("Hollinbrook SG-2, serial 2201")
    assert table.instruments["power_meter"].certificate == "SIM-0002"
    for result in outcome.results:
        assert result.value is not None
        assert result.uncertainty is not None
        assert table.loss[result.frequency_hz] == pytest.approx(result.value, abs=1e-4)
        assert result.uncertainty <= table.uncertainty[result.frequency_hz] <= result.uncertainty + 2e-4
        assert f"table {path}" in result.note
    named = bench_file(
        "named.yaml", paths={"receive": {"loss": "losses/pad-simulated.yaml", "uncertainty": None}}
    )
    loaded = load_bench(str(named))
    receive = loaded.bench.paths.receive
    assert receive is not None
    assert receive.loss == dict(table.loss)
    assert receive.uncertainty_db == table.uncertainty_db
    assert loaded.hash != load_bench(str(bench_file("plain.yaml"))).hash
    before = loaded.hash
    path.write_text(path.read_text().replace("pad A", "pad B"))
    assert load_bench(str(named)).hash != before


def test_a_table_is_never_written_over(make_rig: Callable[..., Rig]) -> None:
    """A second simulated measurement takes the next free name, and the first table stays as it was."""
    rig = make_rig(sequence=_sequence(PAD))
    rig.run()
    folder = rig.plan.bench.path.parent / "losses"
    first = (folder / "pad-simulated.yaml").read_bytes()
    rig.again().run()
    assert sorted(path.name for path in folder.iterdir()) == ["pad-simulated-2.yaml", "pad-simulated.yaml"]
    assert (folder / "pad-simulated.yaml").read_bytes() == first


def test_a_table_of_a_real_bench_that_is_there_is_refused_before_anything_is_sent(
    bench_file: Callable[..., Path], sequence_file: Callable[..., Path]
) -> None:
    """On a bench of real gear the plan refuses a name that is taken, and names the file."""
    bench = yaml.safe_load(bench_file().read_text())
    for key in ("unit", "clock", "seed"):
        bench.pop(key, None)
    bench["visa"] = "py"
    path = bench_file().parent / "real.yaml"
    path.write_text(yaml.safe_dump(bench, sort_keys=False))
    (path.parent / "losses").mkdir()
    (path.parent / "losses" / "pad.yaml").write_text("something of value")
    sequence = load_sequence(str(sequence_file(_sequence(PAD))))
    with pytest.raises(FileProblems, match="there already, and none is written over"):
        make_plan(sequence, load_bench(str(path)))
    assert (path.parent / "losses" / "pad.yaml").read_text() == "something of value"


def test_a_table_that_cannot_be_written_costs_the_table_only(
    make_rig: Callable[..., Rig], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk: the losses stand in the results, one more says why there is no table, and nothing is left half-written."""

    def full(*_: Any) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sequencer.checks.bench.path_loss.write_beside", full)
    rig = make_rig(sequence=_sequence(PAD))
    *losses, table = rig.run().results
    assert [round(result.value or 0.0) for result in losses] == [20, 20, 20]
    assert table.quantity == "loss table of pad A"
    assert table.decision is Decision.NOT_MEASURED
    assert "No space left on device" in table.note
    assert "Traceback" not in table.note


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ("level: 19 dBm", r"19 dBm is outside what signal_generator offers"),
        ("frequencies: []", "frequencies"),
        ("frequencies: [27 MHz, 27000 kHz]", "27 MHz stands twice"),
        ("vswr: 0.5", "vswr"),
        ("readings: 1", "readings"),
        ('file: "a\\0b"', "file"),
        ('file: ""', "file"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_sent(
    make_rig: Callable[..., Rig], changed: str, text: str
) -> None:
    """A level beyond generator or meter, no frequency, one twice, a match below 1, a single reading: refused by the plan."""
    words = "check: path_loss, " + (
        changed if "frequencies" in changed else f"frequencies: [27 MHz], {changed}"
    )
    with pytest.raises(FileProblems, match=text):
        make_rig(sequence=_sequence(f"{{{words}}}"))


def test_a_level_above_the_meter_s_rating_is_refused(make_rig: Callable[..., Rig]) -> None:
    """The meter's max_power bounds the level, below what the generator offers: 1 mW is 0 dBm."""
    with pytest.raises(FileProblems, match="the power meter may be given"):
        make_rig(
            sequence=_sequence("{check: path_loss, frequencies: [27 MHz], level: 3 dBm}"),
            instruments={"power_meter": {"max_power": "1 mW"}},
        )


def test_a_bench_without_a_radio_measures_a_cable(make_rig: Callable[..., Rig]) -> None:
    """No unit takes part: generator and power meter are enough."""
    gone = dict.fromkeys(("radio", "switch", "supply", "voltmeter", "audio_analyser", "modulation_analyser"))
    rig = make_rig(
        sequence="sequence: Losses\nmode: FM\nchecks:\n  - {check: path_loss, frequencies: [27 MHz]}\n",
        instruments=gone,
    )
    (result,) = rig.run().results
    assert result.value == pytest.approx(20.0, abs=0.5)
    assert result.channel is None


def test_what_it_reports_is_what_it_promises() -> None:
    """The quantities that stand in the table when nothing could be measured are those of a measurement."""
    settings = PathLossSettings.model_validate({"check": "path_loss", "frequencies": ["27 MHz"]})
    assert PathLoss().quantities(settings) == (("loss of cable or pad, 27 MHz", "dB"),)
