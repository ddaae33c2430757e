"""Promises 1 to 3 of design section 6, attacked: nothing keys into the generator, key-down ends in time, no level is too high.

Judged by the simulator's witness, which knows no driver and no engine, and by the times and bytes in the trace. The duty arithmetic
(key-down T, then rest T·(1 - d)/d) is the definition of a duty factor, IEC 60050-411-51-08 from memory: on-time over cycle time.
"""

from __future__ import annotations

import itertools
import math
import re
import types
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.faults import InstrumentFault, Refused
from drivers.roles import Radio, SignalGenerator
from drivers.trace import Direction
from sequencer.checks.base import Check, CheckSettings, Conditions, Finding
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind
from sim.wiring.witness import HazardKind
from tests.support.spoken_bench import ROLES

KEY_ON, KEY_OFF = ":CONTrol:KEY:STATe 1", ":CONTrol:KEY:STATe 0"
NO_ERROR = ';0,"No error"'
ARGUMENTS: dict[FaultKind, Any] = {
    FaultKind.DELAY: 1.9,
    FaultKind.TRUNCATE: 1,
    FaultKind.WRONG: "1",
    FaultKind.ERROR: (-222, "Data out of range"),
}
SECOND_GENERATOR = {
    "interferer": {
        "role": "signal_generator",
        "address": "TCPIP0::192.0.2.21::5025::SOCKET",
        "level": {"min": "-137 dBm", "max": "13 dBm"},
    }
}
TRANSMIT_TWICE = """
sequence: Transmit
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, limit: {max: 4 W}}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, deviation: 1.2 kHz, accuracy: 3 dB}
  - {check: carrier_power, channel: 21, limit: {max: 4 W}}
"""


class Attack(Check[CheckSettings]):
    """A check that does to its side whatever a test wants."""

    name = "attack"
    summary = "a test's own procedure"
    settings = CheckSettings

    def __init__(self, side: str, procedure: Callable[[Any], None]) -> None:
        self.side = side  # type: ignore[misc]
        self._procedure = procedure

    def quantities(self, settings: CheckSettings) -> tuple[tuple[str, str], ...]:
        """Return the one thing it reports."""
        return (("attack", ""),)

    def receive(self, side: Any, settings: CheckSettings, conditions: Conditions) -> list[Finding]:
        """Attack the receive side."""
        self._procedure(side)
        return [Finding(quantity="attack", value=1.0, unit="")]

    transmit = receive


def reachable(root: object) -> list[object]:
    """Return everything that attributes, elements, bound methods and closures lead to; weak references lead nowhere."""
    seen: dict[int, object] = {}
    todo = [root]
    while todo:
        one = todo.pop()
        if id(one) in seen or isinstance(one, type | types.ModuleType | str | bytes | int | float):
            continue
        seen[id(one)] = one
        todo += list(getattr(one, "__dict__", {}).values())
        for kind in type(one).__mro__:
            slots = kind.__dict__.get("__slots__", ())
            todo += [getattr(one, name, None) for name in ([slots] if isinstance(slots, str) else slots)]
        if isinstance(one, dict):
            todo += [*one.keys(), *one.values()]
        elif isinstance(one, list | tuple | set | frozenset):
            todo += list(one)
        if (owner := getattr(one, "__self__", None)) is not None:
            todo.append(owner)
        if isinstance(one, types.FunctionType):
            todo += [cell.cell_contents for cell in one.__closure__ or ()]
    return list(seen.values())


@pytest.fixture
def transmit_twice(make_rig):
    """A rig for examples to be made from: transmit, receive, transmit, and an interferer beside the generator."""
    return make_rig(sequence=TRANSMIT_TWICE, instruments=SECOND_GENERATOR)


def keyings(rig: Any) -> list[tuple[float, float]]:
    """Return when the key was pressed (message sent) and released (answer received), from the trace."""
    found, pressed_s, releasing = [], None, False
    for exchange in rig.record.said:
        if exchange.instrument != "radio":
            continue
        message = exchange.content.decode("latin-1")
        if exchange.direction is Direction.SENT:
            releasing = message.startswith(KEY_OFF)
            if message.startswith(KEY_ON) and pressed_s is None:
                pressed_s = exchange.time_s
        elif releasing and message.startswith("0;") and pressed_s is not None:
            found.append((pressed_s, exchange.time_s))
            pressed_s = None
    assert pressed_s is None, "the last key-down was not released"
    return found


# --- promise 1: no check can key into the generator ------------------------------------------------------------------


def test_neither_side_leads_to_what_the_other_holds(make_rig):
    """From the receive side no attribute leads to a key, from the transmit side none to a generator, keyed or not."""
    found: dict[str, list[object]] = {}

    def look_at_receive(side):
        side.apply_carrier(-80.0)
        found["receive"] = reachable(side)

    def look_at_transmit(side):
        side.read_power_dbm()
        found["transmit"] = reachable(side)

    rig = make_rig().with_checks(Attack("transmit", look_at_transmit), Attack("receive", look_at_receive))
    assert rig.run().status is ExitStatus.PASSED
    assert any(isinstance(one, SignalGenerator) for one in found["receive"]), (
        "the walk must find what is there"
    )
    assert any(isinstance(one, Radio) for one in found["transmit"])
    assert [one for one in found["receive"] if isinstance(one, Radio)] == []
    assert [one for one in found["transmit"] if isinstance(one, SignalGenerator)] == []


def test_a_transmit_side_kept_by_a_check_keys_nothing_later(make_rig):
    """A check that keeps its transmit side and uses it while another works on the receive side is refused, unsent."""
    kept: list[Any] = []
    complaints: list[str] = []

    def misuse(side):
        side.apply_carrier(-60.0)
        for use in (kept[0].read_power_dbm, lambda: kept[0].wait_s(1.0), kept[0].rest):
            with pytest.raises(Refused) as caught:
                use()
            complaints.append(str(caught.value))

    rig = make_rig().with_checks(Attack("transmit", kept.append), Attack("receive", misuse))
    assert rig.run().status is ExitStatus.PASSED
    assert all("was left" in complaint for complaint in complaints)
    assert len(complaints) == 3
    assert not [message for message in rig.sent("radio") if message.startswith(KEY_ON)]


def test_a_receive_side_kept_by_a_check_drives_nothing_later(make_rig):
    """A check that keeps its receive side cannot switch the generator on while another has the unit keyed."""
    kept: list[Any] = []

    def misuse(side):
        side.read_power_dbm()
        with pytest.raises(Refused, match="was left"):
            kept[0].apply_carrier(-60.0)

    rig = make_rig(sequence=TRANSMIT_TWICE).with_checks(
        Attack("transmit", lambda side: None), Attack("receive", kept.append), Attack("transmit", misuse)
    )
    assert rig.run().status is ExitStatus.PASSED


def test_two_sides_are_never_in_use_at_once(make_rig):
    """Taking a side while another is in use is refused, whichever comes first."""
    where = {"channel": 20, "mode": "FM", "frequency_hz": 27.205e6}
    with make_rig().open() as bench:
        for outer, inner in (("receive", "transmit"), ("transmit", "receive"), ("transmit", "transmit")):
            with (
                getattr(bench.safe, f"{outer}_side")(**where),
                pytest.raises(RuntimeError, match="one side of the bench is in use"),
                getattr(bench.safe, f"{inner}_side")(**where),
            ):
                raise AssertionError("the second side was handed over")


@pytest.mark.parametrize(
    ("role", "fault"),
    [
        ("signal_generator", Fault(kind=FaultKind.WRONG, match="OUTP", argument="1" + NO_ERROR, times=None)),
        (
            "signal_generator",
            Fault(kind=FaultKind.WRONG, match="OUTPut:STATe?", argument="1", skip=1, times=None),
        ),
        ("switch", Fault(kind=FaultKind.WRONG, match="CLOSe?", argument="1", times=None)),
        ("switch", Fault(kind=FaultKind.WRONG, match="CLOSe?", argument="0", times=None)),
        ("switch", Fault(kind=FaultKind.STUCK, match="CLOSe?", times=None)),
        ("switch", Fault(kind=FaultKind.WRONG, match="CLOSe? (@2)", argument="0", times=None)),
        ("switch", Fault(kind=FaultKind.DISCONNECT, match="CLOSe (@2)", times=None)),
        ("switch", Fault(kind=FaultKind.TIMEOUT, match="CLOSe? (@1)", times=None)),
        ("switch", Fault(kind=FaultKind.GARBAGE, match="CLOSe? (@1)", times=None)),
    ],
    ids=lambda one: one if isinstance(one, str) else f"{one.kind.value} {one.match} {one.argument or ''}",
)
def test_not_keyed_unless_generator_and_switch_say_so(make_rig, role, fault):
    """A generator that does not read off, or a switch that does not read transmit and nothing else, is never keyed into."""
    rig = make_rig()
    rig.inject(role, fault)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert not [message for message in rig.sent("radio") if message.startswith(KEY_ON)]


@pytest.mark.parametrize("place", ["open", "receive"])
def test_not_keyed_through_a_switch_that_does_not_move(make_rig, place):
    """A switch whose contacts are stuck where they are is found out by its read-back, and the unit is not keyed."""
    rig = make_rig()
    rig.simulation.wiring.paths.connect(place)
    rig.simulation.wiring.paths.connect = lambda position: None
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert not [message for message in rig.sent("radio") if message.startswith(KEY_ON)]
    assert outcome.problems[0].startswith("switch (")


def test_generator_and_switch_are_asked_before_every_press(make_rig):
    """A generator switched on, or a switch moved, while the key rests in the middle of a check keeps the unit unkeyed."""
    for meddle in (
        lambda rig: rig.simulation.wiring.paths.connect("receive"),
        lambda rig: setattr(rig.device("signal_generator"), "output_on", True),
    ):
        rig = make_rig()
        seen: list[InstrumentFault] = []

        def procedure(side, rig=rig, meddle=meddle, seen=seen):
            side.read_power_dbm()
            side.rest()
            meddle(rig)
            side.wait_s(0.5)  # would key

        rig.with_checks(Attack("transmit", procedure))
        outcome = rig.run()
        assert outcome.status is ExitStatus.BENCH_FAILED
        assert "PTT was not pressed" in outcome.problems[0] or "the switch stands on" in outcome.problems[0]


def test_the_generator_is_off_and_the_path_is_set_before_the_key_in_the_bytes(make_rig):
    """In the trace of a sound run every press follows a reading of output off and of the switch on transmit, with no change since."""
    rig = make_rig()
    assert rig.run().status is ExitStatus.PASSED
    facts = {"output": "?", "transmit": "?", "receive": "?"}
    asked, presses = "", 0
    for exchange in rig.record.said:
        message = exchange.content.decode("latin-1").strip()
        if exchange.direction is Direction.SENT:
            asked = f"{exchange.instrument} {message}"
            if asked.startswith(f"radio {KEY_ON}"):
                presses += 1
                assert facts == {"output": "0", "transmit": "1", "receive": "0"}
            if "OUTPut:STATe 1" in message or "ROUTe:CLOSe (" in message:
                facts = dict.fromkeys(facts, "?")
        elif exchange.direction is not Direction.RECEIVED:
            continue
        elif asked.startswith("signal_generator") and "OUTPut:STATe?" in asked:
            facts["output"] = message[0]
        elif asked.startswith("switch"):
            for path, relay in (("receive", "(@1)"), ("transmit", "(@2)")):
                if f"CLOSe? {relay}" in asked:
                    facts[path] = message[0]
    assert presses >= 2


# --- any fault anywhere ----------------------------------------------------------------------------------------------


def _ended_well(outcome: Any, rig: Any) -> None:
    assert rig.simulation.hazards == ()
    assert outcome.status in (ExitStatus.PASSED, ExitStatus.FAILED, ExitStatus.BENCH_FAILED)
    assert rig.record.ended["outcome"]
    assert not [text for text in outcome.problems if "Traceback" in text]
    if outcome.safe_state.confirmed:
        unit, generator = rig.simulation.unit, rig.device("signal_generator")
        assert not unit.keyed
        assert not generator.output_on
    else:
        assert "Remove the supply" in outcome.safe_state.last_line()
        assert outcome.status is ExitStatus.BENCH_FAILED


def _is_out_of_reach(outcome: Any, rig: Any, kind: FaultKind, times: int | None) -> bool:
    """Say whether every instrument was gone for good with PTT pressed: nothing can release it, and the last line says so."""
    if not (kind is FaultKind.DISCONNECT and times is None and rig.simulation.unit.keyed):
        return False
    assert {one.kind for one in rig.simulation.hazards} <= {
        HazardKind.KEY_DOWN_TOO_LONG,
        HazardKind.DUTY_EXCEEDED,
    }
    assert "PTT could not be confirmed released" in outcome.safe_state.last_line()
    assert "Remove the supply" in outcome.safe_state.last_line()
    return outcome.status is ExitStatus.BENCH_FAILED


@pytest.mark.slow
@pytest.mark.provokes_hazards  # where all connections are gone for good with PTT pressed
def test_the_first_second_third_message_fails_until_the_run_gets_through(make_rig):
    """Whichever message of a run fails, once or from then on, the run ends with a status, results and no hazard.

    The kinds of fault go round, so that each message meets one of them, and its neighbours the others.
    """

    def listen(side):
        side.apply_carrier(-80.0)
        side.read_sinad_db(0.1)

    base = make_rig(sequence=TRANSMIT_TWICE)
    cases = [(kind, times) for kind in FaultKind for times in (1, None)]
    number = 0
    while True:
        kind, times = cases[number % len(cases)]
        rig = base.again().with_checks(
            Attack("transmit", lambda side: side.read_power_dbm()),
            Attack("receive", listen),
            Attack("transmit", lambda side: side.read_frequency_hz()),
        )
        script = rig.inject_everywhere(
            Fault(kind=kind, skip=number, times=times, argument=ARGUMENTS.get(kind))
        )
        outcome = rig.run()
        if not script.taken:
            break
        if not _is_out_of_reach(outcome, rig, kind, times):
            _ended_well(outcome, rig)
        assert times is None or outcome.safe_state.confirmed, f"one {kind.value} at message {number}"
        number += 1
    assert number > 100
    assert outcome.status is ExitStatus.PASSED


# Not within the generators' own error of the rating: the witness judges what arrives, the rating is held against what is asked.
LEVELS = st.one_of(
    st.floats(-140.0, -0.5), st.floats(0.1, 30.0), st.sampled_from([math.nan, math.inf, -math.inf])
)
OPERATIONS = {
    "transmit": st.sampled_from(
        [
            ("read_power_dbm", (), {}),
            ("read_frequency_hz", (), {}),
            ("read_deviation_hz", ("negative",), {}),
            ("read_supply_current_a", (), {}),
            ("apply_audio", (), {"tone_hz": 1000.0, "level_v": 0.1}),
            ("remove_audio", (), {}),
            ("apply_two_tones", (), {"tones_hz": (700.0, 1700.0), "level_v": 0.01}),
            ("read_selective_dbm", (10e3, 1e3), {}),
            ("capture_audio", (0.5, 8000.0), {}),
            ("read_idle_current_a", (), {}),
            ("set_supply", (15.0,), {}),
            ("set_supply", (17.0,), {}),
            ("select", (21, 27.215e6), {}),
            ("rest", (), {}),
            ("wait_s", (0.3,), {}),
            ("wait_s", (7.0,), {}),
            ("wait_s", (33.0,), {}),
        ]
    ),
    "receive": st.one_of(
        st.sampled_from(
            [
                ("read_sinad_db", (0.1,), {}),
                ("read_audio_v", (0.1,), {}),
                ("read_meter_v", (0.1,), {}),
                ("wait_s", (3.0,), {}),
                ("remove_signal", (), {}),
                ("restore_signal", (), {}),
                ("remove_interferer", (), {}),
            ]
        ),
        st.tuples(
            st.sampled_from(["apply_carrier", "set_level_dbm", "set_interferer_dbm"]),
            st.tuples(LEVELS),
            st.just({}),
        ),
        st.tuples(st.just("apply_interferer"), st.tuples(LEVELS), st.just({"offset_hz": 10e3})),
    ),
}
FAULTS = st.lists(
    st.tuples(
        st.sampled_from(ROLES),
        st.builds(
            lambda kind, skip, times: Fault(kind=kind, skip=skip, times=times, argument=ARGUMENTS.get(kind)),
            st.sampled_from(list(FaultKind)),
            st.integers(0, 25),
            st.sampled_from([1, 2, 3, None]),
        ),
    ),
    max_size=3,
)


@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    first=st.lists(OPERATIONS["transmit"], max_size=6),
    second=st.lists(OPERATIONS["receive"], max_size=6),
    third=st.lists(OPERATIONS["transmit"], max_size=6),
    faults=FAULTS,
    stubborn=st.booleans(),
)
def test_whatever_a_check_does_and_whatever_fails_no_hazard_arises(
    transmit_twice, first, second, third, faults, stubborn
):
    """Random operations on both sides under random faults leave the witness at zero; a stubborn check ignores every fault."""

    def doing(operations):
        def procedure(side):
            for name, arguments, keywords in operations:
                try:
                    getattr(side, name)(*arguments, **keywords)
                except InstrumentFault:
                    if not stubborn:
                        raise

        return procedure

    rig = transmit_twice.again().with_checks(
        Attack("transmit", doing(first)), Attack("receive", doing(second)), Attack("transmit", doing(third))
    )
    for role, fault in faults:
        rig.inject(role, fault)
    outcome = rig.run()
    _ended_well(outcome, rig)
    if not faults and not stubborn:
        assert outcome.status in (ExitStatus.PASSED, ExitStatus.BENCH_FAILED)  # a level may be refused


# --- promise 2: key-down ends in time, and rests ---------------------------------------------------------------------


def _long_transmission(side):
    side.wait_s(47.0)
    for _ in range(40):
        side.read_power_dbm()
        side.read_frequency_hz()
    side.apply_audio(tone_hz=1000.0, level_v=0.1)
    side.wait_s(0.01)
    side.remove_audio()
    side.wait_s(3.3)


@pytest.mark.parametrize(
    ("max_key_time_s", "duty_percent", "timeout_s", "delay_s"),
    [
        (20.0, 50.0, 2.0, 0.0),
        (20.0, 50.0, 2.0, 1.8),
        (20.0, 10.0, 2.0, 1.0),
        (30.0, 100.0, 2.0, 1.5),
        (3.1, 50.0, 0.3, 0.0),
        (3.1, 25.0, 0.3, 0.17),
        (10.0, 5.0, 1.0, 0.85),
    ],
)
def test_key_down_ends_in_time_and_the_duty_is_kept(
    make_rig, max_key_time_s, duty_percent, timeout_s, delay_s
):
    """However slowly every instrument answers, no key-down outlasts the limit, and T of it is followed by a rest of T·(1 - d)/d."""
    rig = make_rig(
        instruments={role: {"timeout": f"{timeout_s} s"} for role in ROLES},
        protection={"max_key_time": f"{max_key_time_s} s", "key_duty": f"{duty_percent} %"},
    ).with_checks(Attack("transmit", _long_transmission))
    if delay_s:
        # The proof of a link has its own, shorter time-out; an instrument that misses it is not opened at all.
        rig.inject_everywhere(Fault(kind=FaultKind.DELAY, match=":", times=None, argument=delay_s))
    outcome = rig.run()
    assert outcome.status is ExitStatus.PASSED, outcome.problems
    downs = keyings(rig)
    assert max(up_s - down_s for down_s, up_s in downs) <= max_key_time_s
    duty = duty_percent / 100.0
    for (down_s, up_s), (next_s, _) in itertools.pairwise(downs):
        assert next_s - up_s >= (up_s - down_s) * (1.0 - duty) / duty - 1e-6
    assert sum(up_s - down_s for down_s, up_s in downs) >= 50.0, "it was keyed for as long as the check asked"


def test_slow_keying_is_counted_as_key_down(make_rig):
    """Where the answer to the press itself comes so late that the step no longer fits, the key is released before the step."""
    rig = make_rig(protection={"max_key_time": "16.5 s"})
    rig.inject("radio", Fault(kind=FaultKind.DELAY, match=KEY_ON, argument=1.9, times=None))
    rig.with_checks(Attack("transmit", lambda side: [side.read_power_dbm() for _ in range(3)]))
    rig.run()
    assert max(up_s - down_s for down_s, up_s in keyings(rig)) <= 16.5


def test_a_step_that_fits_into_no_key_down_is_refused_unkeyed(make_rig):
    """A step whose longest time and release exceed the limit keys nothing."""
    from sequencer.safety.control.key import Key, Ratings

    rig = make_rig()
    with rig.open() as bench:
        keeper = bench.safe
        key = Key(
            bench.instruments["radio"],
            bench.clock,
            Ratings(max_key_time_s=5.0),
            release_max_s=3.0,
            keeper=keeper,
        )
        with pytest.raises(Refused, match="do not fit max_key_time 5 s; PTT was not pressed"):
            key.allow(2.5)
        with pytest.raises(Refused, match="PTT was not pressed"):
            key.allow(math.nan)
        assert not rig.simulation.unit.keyed


@pytest.mark.parametrize(("limit", "timeout"), [("5 s", "2 s"), ("15.9 s", "2 s"), ("20 s", "3 s")])
def test_the_plan_refuses_a_key_time_that_cannot_be_promised(bench_file, sequence_file, limit, timeout):
    """A limit shorter than the longest step and release is refused before anything is sent, and says what would do."""
    bench = bench_file(
        protection={"max_key_time": limit}, instruments={role: {"timeout": timeout} for role in ROLES}
    )
    with pytest.raises(
        FileProblems, match=r"cannot be promised(.|\n)*at least \d+ s, or a shorter 'timeout'"
    ):
        make_plan(load_sequence(str(sequence_file())), load_bench(str(bench)))


def _power_time_s(rig: Any) -> float:
    """Return how long the unit was keyed with its supply on: from the press to the supply's switching off."""
    pressed_s = next(
        e.time_s
        for e in rig.record.said
        if e.direction is Direction.SENT and e.content.decode().startswith(KEY_ON)
    )
    off_s = next(
        e.time_s
        for e in rig.record.said
        if e.instrument == "supply" and e.time_s >= pressed_s and b"OUTPut:STATe 0" in e.content
    )
    return off_s - pressed_s


@pytest.mark.parametrize(
    "fault",
    [
        None,
        Fault(kind=FaultKind.DISCONNECT, match=KEY_OFF, skip=3, times=None),
        Fault(kind=FaultKind.TIMEOUT, match=KEY_OFF, skip=3, times=None),
        Fault(kind=FaultKind.DELAY, match="", skip=16, times=None, argument=30.0),
        Fault(kind=FaultKind.GARBAGE, match=KEY_OFF, skip=3, times=None),
    ],
    ids=lambda fault: "welded" if fault is None else fault.kind.value,
)
def test_a_key_that_stays_down_loses_its_supply_within_the_key_time(make_rig, fault):
    """A welded key relay, or a relay box that is lost while keyed, ends with the supply off before max_key_time is over."""
    rig = make_rig(protection={"max_key_time": "20 s"})
    wiring = rig.simulation.wiring

    def stick(side):
        side.read_power_dbm()
        wiring.unkey = lambda: None  # from now on the contact stays closed

    rig.with_checks(Attack("transmit", stick), Attack("transmit", lambda side: side.read_power_dbm()))
    if fault is not None:
        rig.inject("radio", fault)
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert rig.simulation.unit.keyed
    assert rig.simulation.unit.supply_v == 0.0
    assert _power_time_s(rig) <= 20.0
    line = outcome.safe_state.last_line()
    assert line.startswith("THE BENCH COULD NOT BE CONFIRMED SAFE: PTT could not be confirmed released")
    assert "its supply was switched off and reads off" in line
    assert "Remove the supply from the unit now" in line
    _, *later = outcome.results
    assert later, "each check that was not made says so"
    assert all("because the run was stopped" in one.note for one in later), (
        "no later check was run on a unit that cannot be unkeyed"
    )


def test_a_run_does_not_go_on_after_its_supply_was_cut(make_rig):
    """If the key opens after all, once the supply was cut, the run still stops: what follows would measure a dead unit."""
    rig = make_rig()
    # Two tries of the release fail, which cuts the supply; the third, on the way to a safe bench, succeeds.
    rig.inject("radio", Fault(kind=FaultKind.DISCONNECT, match=KEY_OFF, skip=3, times=2))
    check = Attack("transmit", lambda side: side.read_power_dbm())
    rig.with_checks(check, Attack("receive", lambda side: None))
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert outcome.safe_state.confirmed
    assert "supply was cut" in rig.record.ended["outcome"]
    assert all("because the run was stopped" in one.note for one in rig.record.kept[1])


# --- promise 3: no level too high is sent ----------------------------------------------------------------------------

LEVEL = re.compile(r":SOURce:POWer:LEVel:IMMediate:AMPLitude ([-+.\dEe]+|NAN|-?INF)")


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    levels=st.lists(
        st.one_of(st.floats(-200.0, 60.0), st.sampled_from([math.nan, math.inf, -math.inf, 0.0, 1e-6])),
        min_size=1,
        max_size=8,
    ),
    rating_dbm=st.sampled_from([0.0, -20.0, 10.0]),
)
def test_no_level_above_the_rating_or_outside_the_generator_is_in_the_bytes(make_rig, levels, rating_dbm):
    """Whatever a check asks for, the bytes hold no level above max_receiver_input plus path, none outside the generator's range."""
    refused = 0

    def procedure(side):
        nonlocal refused
        for level_dbm in levels:
            for apply in (
                side.apply_carrier,
                side.set_level_dbm,
                lambda level: side.apply_fm(level, deviation_hz=1200.0, tone_hz=1000.0),
            ):
                try:
                    apply(level_dbm)
                except Refused:
                    refused += 1

    # The witness judges what really arrives: give it the generator's and the path's own errors to spare.
    rig = make_rig(
        protection={"max_receiver_input": f"{rating_dbm} dBm"}, sequence=TRANSMIT_TWICE
    ).with_checks(Attack("transmit", lambda side: None), Attack("receive", procedure))
    rig.simulation.witness.limits = rig.simulation.witness.limits.__class__(
        receiver_input_dbm=rating_dbm + 0.5
    )
    rig.run()
    sent_dbm = [float(found) for message in rig.sent("signal_generator") for found in LEVEL.findall(message)]
    loss_db = rig.plan.bench.bench.paths.receive.loss_db(27.205e6)
    assert all(-137.0 <= level <= min(13.0, rating_dbm + loss_db + 1e-6) for level in sent_dbm)
    wrong = [level for level in levels if not -137.0 - loss_db <= level <= min(rating_dbm, 13.0 - loss_db)]
    assert refused >= 3 * len([level for level in wrong if not abs(level) < 1e-5])


def test_the_plan_refuses_a_level_above_the_rating_before_anything_is_sent(bench_file, sequence_file):
    """A sequence that asks for more than max_receiver_input is refused by the plan."""
    text = TRANSMIT_TWICE.replace("accuracy: 3 dB", "accuracy: 3 dB, levels: {max: -10 dBm}")
    bench = bench_file(protection={"max_receiver_input": "-30 dBm"})
    with pytest.raises(FileProblems, match="above the receiver's rating"):
        make_plan(load_sequence(str(sequence_file(text))), load_bench(str(bench)))


@pytest.mark.parametrize("voltage_v", [16.01, 1e3, math.nan, -1.0, math.inf])
def test_no_supply_voltage_above_the_bench_files_is_sent(make_rig, voltage_v):
    """A supply voltage above max_voltage, or none at all, is refused unsent."""
    rig = make_rig()
    with rig.open() as bench:
        with pytest.raises(Refused, match="max_voltage is 16 V"):
            bench.safe.set_supply(voltage_v)
        assert rig.simulation.unit.supply_v == 0.0


# --- the witness itself ----------------------------------------------------------------------------------------------


@pytest.mark.provokes_hazards
def test_the_witness_of_these_tests_is_not_blind(make_rig):
    """Keying straight through the relay box, past the safe sides, is seen: the zero of all other tests means something."""
    rig = make_rig()
    with rig.open() as bench:
        bench.safe.set_supply(13.2)
        bench.instruments["switch"].connect("receive")
        bench.instruments["radio"].key()
        kinds = {hazard.kind for hazard in rig.simulation.hazards}
        assert HazardKind.KEYED_INTO_GENERATOR in kinds
