"""Opening a bench: the key line before anything else, one process for each bench, and no word of safety where nothing was looked at."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.faults import InstrumentFault, Refused
from drivers.trace import Direction
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchParts, BenchUnsafe, OpenBench
from sequencer.cli.setting_up.identify import identify_bench
from sequencer.inputs.bench import longest_release_s
from sequencer.inputs.load_bench import load_bench
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind

SECOND_GENERATOR = {
    "interferer": {
        "role": "signal_generator",
        "address": "TCPIP0::192.0.2.21::5025::SOCKET",
        "level": {"min": "-137 dBm", "max": "13 dBm"},
    }
}


def _left_keyed(rig: Any) -> None:
    """Bring the bench to where a run that was killed while keyed leaves it."""
    wiring = rig.simulation.wiring
    wiring.set_supply_v(13.2)
    wiring.connect("transmit")
    rig.simulation.clock.wait_s(1.0)
    wiring.key()
    rig.simulation.clock.wait_s(1.0)


def test_a_bench_left_keyed_is_unkeyed_before_anything_else_hears_a_word(make_rig):
    """The first instrument spoken to is the radio, and it is unkeyed before the second one is."""
    rig = make_rig()
    _left_keyed(rig)
    with rig.open() as bench:
        said = [one for one in bench.drain_exchanges() if one.direction is Direction.SENT]
        first_other = next(number for number, one in enumerate(said) if one.instrument != "radio")
        assert any(b"*RST" in one.content for one in said[:first_other])
        assert not rig.simulation.unit.keyed


def test_identify_too_unkeys_first_whatever_the_files_order(make_rig):
    """`identify` asks in the bench file's order, in which the switch comes before the radio; the key is opened first all the same."""
    rig = make_rig()
    _left_keyed(rig)
    answers = identify_bench(rig.parts)
    assert [answer.name for answer in answers] == list(rig.plan.bench.bench.instruments)
    assert all(answer.sound for answer in answers)
    assert not rig.simulation.unit.keyed


def test_a_switch_is_not_moved_while_the_key_line_is_silent(make_rig):
    """If the radio does not answer the unit may be keyed: `identify` refuses to reset the switch, and says why."""
    rig = make_rig()
    _left_keyed(rig)
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, times=None))
    answers = {answer.name: answer for answer in identify_bench(rig.parts)}
    assert "would move under power" in answers["switch"].problems[0]
    assert answers["power_meter"].sound
    assert not answers["radio"].sound
    assert rig.simulation.wiring.paths.position == "transmit"


@pytest.mark.parametrize("kind", [FaultKind.DISCONNECT, FaultKind.TIMEOUT, FaultKind.GARBAGE])
@pytest.mark.parametrize("role", ["radio", "signal_generator"])
def test_one_fault_in_opening_does_not_leave_the_bench_unconfirmed(make_rig, role, kind):
    """What could not be opened at the first try is opened once more to make the bench safe; a connection that was
    closed at once, as a server does that still has its last client, is tried again and costs nothing.
    """
    rig = make_rig()
    rig.inject(role, Fault(kind=kind, times=1))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED
    assert outcome.safe_state.confirmed


def test_a_dead_key_line_takes_the_supply_away(make_rig):
    """If the radio cannot be opened at all, generator and supply are opened and switched off, and the last line says what is unknown."""
    rig = make_rig()
    _left_keyed(rig)
    rig.device("supply").output_on = True
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, times=None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert rig.simulation.unit.supply_v == 0.0
    assert "its supply was switched off and reads off" in outcome.safe_state.last_line()


def test_of_an_instrument_that_cannot_be_heard_the_key_is_released_unheard(make_rig):
    """If nothing answers any more, as when a network fails one way, "unkey" and "output off" are still sent, and obeyed."""
    rig = make_rig()
    bench = rig.open()
    bench.open()
    bench.safe.set_supply(13.2)

    def transmit():
        with bench.safe.transmit_side(channel=20, mode="FM", frequency_hz=27.205e6) as side:
            side.read_power_dbm()
            rig.device("signal_generator").output_on = True
            # Nothing is heard, the proof of a link least of all: by the ordinary way no "unkey" would be sent at all.
            rig.inject_everywhere(Fault(kind=FaultKind.TIMEOUT, times=None))

    with pytest.raises(InstrumentFault):
        transmit()
    assert not rig.simulation.unit.keyed
    state = bench.close()
    assert not state.confirmed
    assert "Remove the supply" in state.last_line()
    assert not rig.simulation.unit.keyed
    assert not rig.device("signal_generator").output_on


def test_every_generator_is_switched_off_even_if_the_first_fails(make_rig):
    """With two generators on the bench the failure of one does not leave the other on."""
    rig = make_rig(instruments=SECOND_GENERATOR)
    with rig.open() as bench:
        both = [device for device in rig.simulation.devices.values() if device.identity[1] == "SG-2"]
        assert len(both) == 2
        for device in both:
            device.output_on = True
        both[0].faults.add(Fault(kind=FaultKind.DISCONNECT, match="OUTPut", times=2))
        assert not bench.make_safe(patience_s=0.0).confirmed
        assert not both[1].output_on
        assert bench.make_safe().confirmed
        assert not both[0].output_on


def test_a_defective_driver_does_not_stop_the_rest_from_being_made_safe(make_rig):
    """A driver from elsewhere that raises anything at all leaves the generator off and the supply off, and is reported."""
    rig = make_rig()
    with rig.open() as bench:
        bench.safe.set_supply(13.2)
        rig.device("signal_generator").output_on = True

        def unkey():
            raise AttributeError("a defect")

        bench.instruments["radio"].unkey = unkey
        state = bench.make_safe()
    assert not state.confirmed
    assert "a defect" in state.last_line()
    assert not rig.device("signal_generator").output_on
    assert rig.simulation.unit.supply_v == 0.0


def test_a_bench_that_is_not_safe_is_not_handed_over(make_rig):
    """If the generator cannot be confirmed off on opening, nobody gets the bench."""
    rig = make_rig()
    # One answer, to the reset's own check of the output, is right; the others say "on".
    rig.inject(
        "signal_generator",
        Fault(kind=FaultKind.WRONG, match="OUTPut:STATe", argument='1;0,"No error"', skip=1, times=None),
    )
    with pytest.raises(BenchUnsafe, match="the generator could not be confirmed off"), rig.open():
        raise AssertionError("it was handed over")


# --- the lock --------------------------------------------------------------------------------------------------------


@pytest.fixture
def real_parts(bench_file, tmp_path, monkeypatch):
    """Make the parts of a bench of real instruments (which are never spoken to here), with locks in a folder of the test's own."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path / "state"))

    def make(prefix: str = "TCPIP0::192.0.2.", suffix: str = "::SOCKET") -> BenchParts:
        loaded = load_bench(str(bench_file()))
        instruments = {
            name: entry.model_copy(
                update={
                    "address": entry.address.replace("TCPIP0::192.0.2.", prefix).replace("::SOCKET", suffix)
                }
            )
            for name, entry in loaded.bench.instruments.items()
        }
        bench = loaded.bench.model_copy(update={"visa": "py", "unit": None, "instruments": instruments})
        return BenchParts(bench=bench, profiles=loaded.profiles)

    return make


@pytest.mark.parametrize(
    "prefix", ["TCPIP0::192.0.2.", "tcpip0::192.0.2.", "TCPIP::192.0.2.", " TCPIP0::192.0.2."]
)
def test_a_bench_in_use_is_refused_however_its_addresses_are_written(real_parts, prefix):
    """A second opening of the same VISA resources is BenchBusy and touches nothing; when the first lets go it succeeds."""
    first, second = OpenBench(real_parts()), OpenBench(real_parts(prefix))
    first.prepare()
    with pytest.raises(BenchBusy, match="another process drives"):
        second.prepare()
    assert not second.is_touched
    assert not second.close().confirmed
    first.close()
    third = OpenBench(real_parts(prefix))
    third.prepare()
    third.close()


def test_a_refused_opening_gives_back_what_it_had_locked(real_parts):
    """Two benches that share one instrument: the refused one does not keep the instruments that it alone uses."""
    whole = real_parts()
    shared = dict(list(whole.bench.instruments.items())[-1:])
    holder = OpenBench(
        BenchParts(bench=whole.bench.model_copy(update={"instruments": shared}), profiles=whole.profiles)
    )
    holder.prepare()
    refused = OpenBench(whole)
    with pytest.raises(BenchBusy):
        refused.prepare()
    refused.close()
    others = {name: entry for name, entry in whole.bench.instruments.items() if name not in shared}
    free = OpenBench(
        BenchParts(bench=whole.bench.model_copy(update={"instruments": others}), profiles=whole.profiles)
    )
    free.prepare()
    free.close()
    holder.close()


def test_locks_that_cannot_be_taken_refuse_the_bench(real_parts, tmp_path):
    """Where the folder of locks cannot be used nobody could be kept out: the bench is refused, and the folder is named."""
    (tmp_path / "state").write_text("in the way")
    bench = OpenBench(real_parts())
    with pytest.raises(BenchBusy, match=r"cannot be taken(.|\n)*state"):
        bench.prepare()
    bench.close()


def test_a_bench_that_was_never_touched_is_not_called_safe(make_rig):
    """Closing a bench that no word was sent to says so, instead of claiming a read-back."""
    state = make_rig().open().close()
    assert not state.confirmed
    assert state.last_line() == "The bench was left as it stood: nothing was sent to it."


def test_the_longest_release_counts_two_tries(make_rig):
    """Two tries with an answer and an error query each, and the link opened and proved for each: 4 time-outs and 4 openings."""
    radio = make_rig().plan.bench.bench.with_role("radio")
    assert radio is not None
    assert longest_release_s(radio[1]) == pytest.approx(4 * 2.0 + 4 * 1.0)


def test_an_instrument_that_is_open_is_not_opened_again(make_rig):
    """Opening one instrument twice is harmless, and opening it opens the key line before it."""
    rig = make_rig()
    bench = rig.open()
    bench.prepare()
    bench.open_one("voltmeter")
    bench.open_one("voltmeter")
    assert list(bench.instruments) == ["radio", "voltmeter"]
    with pytest.raises(Refused, match="no open switch"):
        bench.safe.confirm_transmit()
    bench.close()
