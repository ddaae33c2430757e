"""A whole simulated bench: what moves what, one clock and one seed, every kind of address.

Outside the project: pyvisa, as an independent client of the bench's VISA library.
"""

from __future__ import annotations

from typing import Any

import pytest
import pyvisa

from sim.bench import Place, SimulatedBench
from sim.clock import VirtualClock
from sim.radio.unit import Specimen
from sim.wiring.witness import HazardKind, WitnessLimits

ADDRESSES = {
    "signal_generator": "TCPIP0::192.0.2.11::5025::SOCKET",
    "power_meter": "GPIB0::5::INSTR",
    "modulation_analyser": "TCPIP0::192.0.2.13::hislip0::INSTR",
    "audio_analyser": "USB0::0x1234::0x5678::SN01::INSTR",
    "voltmeter": "ASRL1::INSTR",
    "supply": "TCPIP0::192.0.2.16::inst0::INSTR",
    "switch": "GPIB0::7::INSTR",
    "radio": "ASRL2::INSTR",
}


def make_bench(*without: str, seed: int = 1, more: dict[str, Place] | None = None) -> SimulatedBench:
    """A bench with every role but ``without``."""
    places = {
        role: Place(role=role, address=address) for role, address in ADDRESSES.items() if role not in without
    }
    return SimulatedBench(
        Specimen(serial="M40-0099"),
        {**places, **(more or {})},
        receive_loss_db={27e6: 0.4},
        transmit_loss_db={27e6: 30.0},
        limits=WitnessLimits(),
        seed=seed,
    )


class Client:
    """pyvisa on a bench; a context manager."""

    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench
        self._manager = pyvisa.ResourceManager(bench.library())
        self._open: dict[str, Any] = {}

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        for each in self._open.values():
            each.close()
        self._manager.close()

    def __getitem__(self, address: str) -> Any:
        address = ADDRESSES.get(address, address)
        if address not in self._open:
            self._open[address] = self._manager.open_resource(
                address, read_termination="\n", write_termination="\n", timeout=20_000
            )
        return self._open[address]

    def prepare(self, relay: int) -> None:
        """Feed the unit on channel 20 and route it."""
        self["supply"].write(":CURR 6;:VOLT 13.2;:OUTP 1")
        self["radio"].write(":CONT:CHAN 20")
        self["switch"].write(f":ROUT:OPEN:ALL;:ROUT:CLOS (@{relay})")
        self["power_meter"].write(":UNIT:POW DBM")
        self["modulation_analyser"].write(":SENS:FREQ 27.205E6")
        self["signal_generator"].write(":FREQ 27.205E6;:FM 1200;:FM:STAT 1;:OUTP 1")
        self.bench.clock.wait_s(0.5)

    def readings(self) -> dict[str, float]:
        """What every meter shows."""
        self.bench.clock.wait_s(3.0)
        asked = {
            "power": ("power_meter", ":READ?"),
            "frequency": ("modulation_analyser", ':FUNC "FREQ";:READ?'),
            "sinad": ("audio_analyser", ':SENS:SWE:TIME 1;:SENS:FUNC "POW:SNDR";:READ?'),
            "audio": ("audio_analyser", ':SENS:FUNC "VOLT:AC";:READ?'),
            "meter": ("voltmeter", ":READ?"),
            "current": ("supply", ":MEAS:CURR?"),
        }
        return {name: float(self[role].query(question)) for name, (role, question) in asked.items()}


# --- coupling ---


def test_the_generators_level_moves_sinad_and_meter_and_nothing_else() -> None:
    """More level is more SINAD and more meter voltage; power meter, analyser and supply see none of it."""
    with Client(make_bench()) as client:
        client.prepare(relay=1)
        client["signal_generator"].write(":POW -121")
        weak = client.readings()
        client["signal_generator"].write(":POW -73")
        strong = client.readings()
    assert strong["sinad"] > weak["sinad"] + 10
    assert strong["meter"] > weak["meter"] + 1.0
    assert weak["power"] == strong["power"] == -9.9e37
    assert weak["frequency"] == strong["frequency"] == 9.91e37
    assert strong["current"] == pytest.approx(weak["current"], abs=0.02)


def test_the_key_moves_power_frequency_and_current_and_silences_the_receiver() -> None:
    """Keyed into the load the meter reads watts, the analyser a carrier, the supply more; the loudspeaker is mute."""
    with Client(make_bench()) as client:
        client["signal_generator"].write(":OUTP 0")
        client.prepare(relay=2)
        client["signal_generator"].write(":OUTP 0")
        before = client.readings()
        client["radio"].write(":CONT:KEY:STAT 1")
        keyed = client.readings()
        client["radio"].write(":CONT:KEY:STAT 0")
        after = client.readings()
        assert client.bench.hazards == ()
    assert before["power"] == after["power"] == -9.9e37
    assert keyed["power"] == pytest.approx(5.7, abs=0.4)
    assert keyed["frequency"] == pytest.approx(27.205e6, abs=100)
    assert keyed["current"] > before["current"] + 0.3
    assert keyed["audio"] < 0.1 * before["audio"]
    assert after["current"] == pytest.approx(before["current"], abs=0.02)


@pytest.mark.parametrize("missing", ["supply", "route", "channel"])
def test_without_supply_route_or_channel_the_unit_does_not_hear(missing: str) -> None:
    """SINAD comes through the unit only: take away its supply, its path or its channel and the carrier is not heard."""
    with Client(make_bench()) as client:
        client.prepare(relay=1)
        client["signal_generator"].write(":POW -100")
        heard = client.readings()["sinad"]
        undo = {
            "supply": ("supply", ":OUTP 0"),
            "route": ("switch", ":ROUT:OPEN:ALL"),
            "channel": ("radio", ":CONT:CHAN 25"),
        }[missing]
        client[undo[0]].write(undo[1])
        deaf = client.readings()["sinad"]
    assert heard > 20
    assert deaf < 3


def test_a_second_generator_disturbs_the_first() -> None:
    """Two generators are combined into the receive path: a strong second one near the channel costs SINAD."""
    second = Place(role="signal_generator", address="TCPIP0::192.0.2.21::5025::SOCKET")
    with Client(make_bench(more={"interferer": second})) as client:
        client.prepare(relay=1)
        client["signal_generator"].write(":POW -110")
        alone = client.readings()["sinad"]
        client[second.address].write(":FREQ 27.2065E6;:POW -105;:OUTP 1")
        disturbed = client.readings()["sinad"]
        client[second.address].write(":OUTP 0")
        again = client.readings()["sinad"]
    assert disturbed < alone - 6
    assert again == pytest.approx(alone, abs=1.0)


def test_the_witness_sees_what_instruments_do() -> None:
    """Keying into the generator, and switching while keyed, is on record whoever ordered it."""
    with Client(make_bench()) as client:
        client.prepare(relay=1)
        client["radio"].write(":CONT:KEY:STAT 1")
        client["switch"].write(":ROUT:OPEN:ALL;:ROUT:CLOS (@2)")
        client["radio"].write(":CONT:KEY:STAT 0")
        kinds = {each.kind for each in client.bench.hazards}
    assert {HazardKind.KEYED_INTO_GENERATOR, HazardKind.HOT_SWITCHING} <= kinds


# --- one clock, one seed ---


def _numbers(seed: int) -> dict[str, float]:
    with Client(make_bench(seed=seed)) as client:
        client.prepare(relay=1)
        client["signal_generator"].write(":POW -118")
        return client.readings()


def test_the_same_seed_gives_the_same_run_and_another_another() -> None:
    """Two benches of one seed answer alike to the last digit; another seed differs."""
    assert _numbers(1) == _numbers(1)
    assert _numbers(1)["sinad"] != _numbers(2)["sinad"]


def test_all_instruments_share_one_virtual_clock() -> None:
    """A reading of one instrument lets the time pass for all."""
    bench = make_bench()
    assert isinstance(bench.clock, VirtualClock)
    with Client(bench) as client:
        client["signal_generator"].write(":POW -50")
        client["power_meter"].query(":READ?")  # 60 ms: the generator settles in 30 ms
        assert client["signal_generator"].query(":STAT:OPER:COND?") == "0"
        assert bench.clock.now_s() == pytest.approx(0.060, abs=1e-6)


# --- what a bench is made of ---


@pytest.mark.parametrize("role", ADDRESSES)
def test_every_kind_of_address_is_answered(role: str) -> None:
    """SOCKET, GPIB, HiSLIP, USB, serial and VXI-11 resources answer as the instrument that the bench file put there."""
    with Client(make_bench()) as client:
        maker, model, serial, firmware = client[role].query("*IDN?").split(",")
        assert (maker, model, serial, firmware) == make_bench().devices[ADDRESSES[role]].identity
        assert client[role].query(":SYST:ERR?") == '0,"No error"'


def test_without_a_supply_on_the_bench_the_unit_is_fed() -> None:
    """A bench file without a supply means that the unit has one of its own."""
    bench = make_bench("supply")
    assert bench.unit.alive
    assert not make_bench().unit.alive


def test_an_unknown_role_is_refused_by_name() -> None:
    """There is no simulated instrument for a role nobody wrote one for."""
    with pytest.raises(ValueError, match="no simulated instrument for the role 'oscilloscope'"):
        make_bench(more={"x": Place(role="oscilloscope", address="GPIB0::9::INSTR")})


def test_the_witness_sees_a_connector_touched_under_power() -> None:
    """Moving cables with the generator on or the unit keyed is a hazard, each time; with both off it is none."""
    bench = make_bench()
    bench.connect_by_hand("direct")
    bench.connect_by_hand("normal")
    assert bench.hazards == ()
    with Client(bench) as client:
        generator = client["signal_generator"]
        generator.write(":FREQ 27E6;:POW -10;:OUTP ON")
        bench.connect_by_hand("direct")
        assert [hazard.kind for hazard in bench.hazards] == [HazardKind.CABLES_MOVED_LIVE]
        generator.write(":OUTP OFF")
        bench.connect_by_hand("normal")
        generator.write(":OUTP ON")
        bench.connect_by_hand("cable")
        assert [hazard.kind for hazard in bench.hazards] == [HazardKind.CABLES_MOVED_LIVE] * 2


def test_what_is_connected_by_hand_arrives_at_the_meter() -> None:
    """-10 dBm straight into the meter are -10 dBm but for a connection's error of at most 0.06 dB, and through the pad 20.16 dB less.

    19.93 dB at 1 MHz and 20.41 dB at 1 GHz, over the logarithm of frequency: 19.93 + 0.48 x lg(27) / 3 = 20.159, worked by hand.
    """
    bench = make_bench()
    with Client(bench) as client:
        client["signal_generator"].write(":FREQ 27E6;:POW -10;:OUTP ON")
        client["signal_generator"].query("*OPC?")
        bench.clock.wait_s(1.0)
        delivered_dbm: dict[str, float | None] = {}
        for connection in ("normal", "direct", "cable"):
            bench.connect_by_hand(connection)
            bench.clock.wait_s(0.5)
            delivered_dbm[connection] = bench.wiring.at_meter_dbm()
        with pytest.raises(ValueError, match="there are normal, direct, receive, transmit, cable"):
            bench.connect_by_hand("nonsense")
    assert delivered_dbm["normal"] is None
    assert delivered_dbm["direct"] == pytest.approx(
        -10.0, abs=0.25 + 0.06
    )  # the generator's own error is 0.25 dB at most
    assert delivered_dbm["direct"] - delivered_dbm["cable"] == pytest.approx(20.159, abs=0.12)  # type: ignore[operator]
