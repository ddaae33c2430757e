"""A run that is stopped in any phase: each signal, once and twice, sent for real; status, last line, what stands in the store, the witness.

In one process and in virtual time, so that every phase is met: whatever the run is at, the process signals itself (kill(2)). The same
with processes of their own, a served bench and a pseudo-terminal: `test_exits.py`.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from drivers.faults import NotConfirmed
from drivers.profiled.audio_analyser import ProfiledAudioAnalyser
from drivers.profiled.power_meter import ProfiledPowerMeter
from drivers.profiled.radio import ProfiledRadio
from drivers.profiled.supply import ProfiledSupply
from sequencer.bench.open_bench import OpenBench
from sequencer.cli.main import main
from sequencer.results.store.store import Store
from sequencer.run.record import STORE_NAME, Record
from sim.bench import SimulatedBench
from tests.support.served_bench import SAFE

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="POSIX signals")

SEQUENCE = """
sequence: One of each side
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
prepare: [{confirm: knobs right}]
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: sinad, channel: 20, level: -80 dBm, tone: 1 kHz, deviation: 1.2 kHz}
"""
SIGNALS = {
    "Ctrl-C": (signal.SIGINT,),
    "Ctrl-C twice": (signal.SIGINT, signal.SIGINT),
    "Ctrl-backslash": (signal.SIGQUIT,),
    "SIGTERM": (signal.SIGTERM,),
    "closed terminal": (signal.SIGHUP, signal.SIGCONT),
}
"""A shell sends SIGCONT after SIGHUP (termination of a session: POSIX, 11.1.10)."""
Arrange = Callable[[pytest.MonkeyPatch, Callable[[], None]], None]


def _before(owner: type, name: str, when: Callable[..., bool] = lambda *_, **__: True) -> Arrange:
    """Return what has the process signalled as a method is entered, or the first time that ``when`` says so."""

    def arrange(monkeypatch: pytest.MonkeyPatch, stop: Callable[[], None]) -> None:
        real = getattr(owner, name)

        def stopped(*arguments: Any, **options: Any) -> Any:
            if when(*arguments, **options):
                stop()
            return real(*arguments, **options)

        monkeypatch.setattr(owner, name, stopped)

    return arrange


def _is_keyed(*_: Any) -> bool:
    return SIMULATED[-1].wiring.unit.keyed


SIMULATED: list[SimulatedBench] = []
"""The benches of the test that runs, the last made last."""
PHASES: dict[str, tuple[Arrange, int]] = {
    # what has the process signalled in it, and how many checks had ended by then
    "opening": (_before(OpenBench, "_open", lambda bench, name: name == "supply"), 0),
    "keyed": (_before(ProfiledPowerMeter, "read_power_dbm", _is_keyed), 0),
    "releasing": (_before(ProfiledRadio, "unkey", _is_keyed), 0),
    "receiving": (_before(ProfiledAudioAnalyser, "read_sinad_db"), 1),
    "keeping a check": (_before(Record, "keep", lambda _, index, *__, **___: index == 1), 1),
    "making safe": (_before(OpenBench, "make_safe", lambda _, *, last=False, **__: last), 2),
    "writing the end": (_before(Record, "end"), 2),
}


EACH = ("keyed", "receiving")
"""Phases in which every signal is tried."""
TELLING = ("Ctrl-C twice", "closed terminal")
"""The signals that are tried in the others: the handler is one."""


def _run(folder: Path) -> tuple[int, str, list[Any], Any]:
    (folder / "sequence.yaml").write_text(SEQUENCE, encoding="utf-8")
    command = [
        "run",
        str(folder / "sequence.yaml"),
        "--bench",
        "bench",
        "--serial",
        "M40-0007",
        "--confirmed",
    ]
    done = CliRunner().invoke(main, [*command, "--folder", str(folder / "results")])
    with Store.open(folder / "results" / STORE_NAME) as store:
        run = store.read_runs()[0]
        return done.exit_code, done.output, store.read_results(run.run), run


@pytest.mark.parametrize(
    ("phase", "signals"),
    [(phase, signals) for phase in PHASES for signals in SIGNALS if phase in EACH or signals in TELLING],
)
def test_a_stopped_run_is_safe_and_keeps_what_was_measured(tmp_path, monkeypatch, witnessed, phase, signals):
    """Status 4, the bench safe by its own word and the witness's, every check that had ended in the store; no traceback.

    Of a run that was over the end is written, and it stands as it went.
    """
    sent: list[int] = []

    def stop() -> None:
        if not sent:
            sent.extend(SIGNALS[signals])
            for number in SIGNALS[signals]:
                os.kill(os.getpid(), number)

    monkeypatch.setattr("tests.behaviour.test_stopped_in_each_phase.SIMULATED", witnessed)
    arrange, ended = PHASES[phase]
    arrange(monkeypatch, stop)
    status, said, results, run = _run(tmp_path)
    assert sent, "it came to this phase"
    assert "Traceback" not in said
    assert said.strip().splitlines()[-1] == SAFE
    assert run.bench_safe
    measured = {result.quantity.partition(" ")[0].strip(",") for result in results}
    assert measured >= set(("carrier", "SINAD")[:ended])
    if phase == "writing the end":  # there is nothing left to stop
        assert (status, run.outcome) == (0, "done")
        return
    assert status == 4, said
    assert run.outcome == f"interrupted ({signal.Signals(SIGNALS[signals][0]).name})"


def test_what_may_still_be_on_is_the_status_of_an_interrupted_run_too(tmp_path, monkeypatch, witnessed):
    """Ctrl-C while keyed, and a radio and a supply that stop obeying: status 3, not 4; the last line says to remove the supply."""
    monkeypatch.setattr("tests.behaviour.test_stopped_in_each_phase.SIMULATED", witnessed)
    stopped: list[bool] = []

    def refuse(*_: Any, **__: Any) -> None:
        raise NotConfirmed("it reads on", instrument="it", address="here")

    def stop(meter: Any) -> Any:
        if not stopped and SIMULATED[-1].wiring.unit.keyed:
            stopped.append(True)
            monkeypatch.setattr(ProfiledRadio, "unkey", refuse)
            monkeypatch.setattr(ProfiledSupply, "configure_output_enabled", refuse)
            os.kill(os.getpid(), signal.SIGINT)
        return read(meter)

    read = ProfiledPowerMeter.read_power_dbm
    monkeypatch.setattr(ProfiledPowerMeter, "read_power_dbm", stop)
    status, said, _, run = _run(tmp_path)
    last_line = said.strip().splitlines()[-1]
    assert status == 3, said
    assert last_line.startswith("THE BENCH COULD NOT BE CONFIRMED SAFE: PTT could not be confirmed released")
    assert "Remove the supply from the unit now" in last_line
    assert (run.outcome, run.bench_safe) == ("interrupted (SIGINT)", False)
