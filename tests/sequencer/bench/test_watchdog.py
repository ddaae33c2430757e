"""What the key-down watchdog of a bench goes by: the ways that bench file and profiles give, and what a person is told of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from sequencer.bench.open_bench import OpenBench
from sequencer.bench.watchdog import make_watchdog, unproved_line, warns, watchdog_line, ways_of
from sequencer.cli.main import main
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.problems import FileProblems
from sequencer.safety.watchdog.ways import Tried

KEYING = """
sequence: Keying
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20}
"""


@pytest.fixture
def real(bench_file: Callable[..., Path]) -> Callable[..., LoadedBench]:
    """Load a bench of real instruments with other entries; nothing of it is opened."""

    def load(**instruments: dict[str, Any] | None) -> LoadedBench:
        path = bench_file(instruments=instruments)
        content = yaml.safe_load(path.read_text(encoding="utf-8")) | {"visa": "py"}
        for name in ("unit", "clock", "seed"):
            content.pop(name, None)
        path.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
        return load_bench(str(path))

    return load


def _ways(loaded: LoadedBench) -> list[tuple[str, str, bool]]:
    return [(way.role, way.line, way.shared) for way in ways_of(loaded.bench, loaded.profiles)]


def test_a_radio_and_a_supply_on_the_network_are_tried_beside_the_program(real) -> None:
    """PTT first, then the supply, in the words of their profiles."""
    loaded = real()
    assert _ways(loaded) == [("radio", "socket", True), ("supply", "socket", True)]
    radio, supply = ways_of(loaded.bench, loaded.profiles)
    assert (radio.off, radio.ask) == (":CONTrol:KEY:STATe 0", ":CONTrol:KEY:STATe?")
    assert (supply.off, supply.ask) == (":OUTPut:STATe 0", ":OUTPut:STATe?")
    line = watchdog_line(loaded.bench, loaded.profiles)
    assert line.startswith(
        "if this program hangs with PTT pressed, the watchdog acts after max_key_time: PTT released by radio ("
    )
    assert "; supply off by supply (" in line
    assert not warns(loaded.bench, loaded.profiles)


@pytest.mark.parametrize(
    ("radio", "line", "shared"),
    [
        ({"address": "TCPIP0::192.0.2.17::hislip0::INSTR"}, "visa", True),
        ({"address": "GPIB0::7::INSTR"}, "visa", False),
        ({"address": "GPIB0::7::INSTR", "second_connection": True}, "visa", True),
        ({"second_connection": False}, "socket", False),
        ({"driver": "text", "profile": "hollinbrook-line", "address": "/dev/ttyUSB7"}, "serial", True),
        (
            {"driver": "text", "profile": "hollinbrook-line", "address": "/dev/ttyUSB7", "ptt": "rts"},
            "serial",
            True,
        ),
        (
            {"driver": "text", "profile": "hollinbrook-line", "address": "TCPIP::192.0.2.9::4001::SOCKET"},
            "socket",
            True,
        ),
    ],
)
def test_how_a_radio_is_reached_goes_by_its_address_and_by_what_the_file_says(
    real, radio, line, shared
) -> None:
    """On a bus nothing is tried beside the program unless the file says that it may be; on the network unless it says that it may not."""
    loaded = real(radio=radio)
    assert _ways(loaded)[0] == ("radio", line, shared)
    way = ways_of(loaded.bench, loaded.profiles)[0]
    assert way.drop == radio.get("ptt", "")
    if radio.get("driver") == "text" and not way.drop:
        assert (way.off, way.ask, way.word, way.pattern, way.end) == ("TX=0", "TX?", "0", "^TX=([01])$", "\r")


def test_where_nothing_takes_a_second_client_it_is_said_before_the_run(real, tmp_path) -> None:
    """`validate` warns: the program itself has to be ended first. So is said where it is found out when the bench opens."""
    alone = {"second_connection": False}
    loaded = real(radio=alone, supply=alone)
    line = watchdog_line(loaded.bench, loaded.profiles)
    assert line.startswith(
        "warning: if this program hangs with PTT pressed, the watchdog ends it after max_key_time"
    )
    assert warns(loaded.bench, loaded.profiles)
    (tmp_path / "keying.yaml").write_text(KEYING, encoding="utf-8")
    command = ["validate", str(tmp_path / "keying.yaml"), "--bench", str(loaded.path)]
    assert line in CliRunner().invoke(main, command).stdout
    found = unproved_line(ways_of(loaded.bench, loaded.profiles), "radio (here): no answer")
    assert found.startswith(
        "No instrument answers the watchdog beside this program (radio (here): no answer)."
    )
    assert "PTT released by radio (TCPIP0::" in found


def test_where_nothing_can_be_done_it_is_said_too(real) -> None:
    """No supply, and a driver of a package that says nothing of a key: nobody believes in a watchdog that is none."""
    loaded = real(supply=None)
    profiles = {name: None if name == "radio" else profile for name, profile in loaded.profiles.items()}
    assert make_watchdog(loaded.bench, profiles, serial="") is None
    assert watchdog_line(loaded.bench, profiles).startswith(
        "warning: nothing releases PTT if this program hangs: "
    )
    assert warns(loaded.bench, profiles)


def test_a_simulated_bench_and_a_key_in_a_persons_hand_have_none(real, bench_file) -> None:
    """The first ends with the program, the second is nobody's but the person's; nothing is said of either."""
    for loaded in (
        load_bench(str(bench_file("simulated.yaml"))),
        real(radio={"driver": "operator", "address": None, "timeout": None, "profile": None}),
    ):
        assert ways_of(loaded.bench, loaded.profiles) == ()
        assert watchdog_line(loaded.bench, loaded.profiles) == ""
        assert not warns(loaded.bench, loaded.profiles)


def test_only_what_can_take_the_unit_off_the_air_says_whether_it_takes_a_second_client(real) -> None:
    """The key is the radio's and the supply's; on another entry it is refused with its place."""
    with pytest.raises(FileProblems, match=r"'second_connection' is for .*(supply|radio)"):
        real(power_meter={"second_connection": False})
    with pytest.raises(FileProblems, match="second_connection"):
        real(radio={"second_connection": "perhaps"})


class LateWatchdog:
    """A watchdog whose answer comes late."""

    def __init__(self, ways: Any, *answers: tuple[Tried, ...] | None) -> None:
        self.ways = ways
        self._answers = list(answers)

    def proofs(self, within_s: float) -> tuple[Tried, ...] | None:
        """Return the next answer, at once."""
        assert within_s == 0.0, "a run does not wait for it"
        return self._answers.pop(0)


@pytest.mark.parametrize("confirmed", [True, False])
def test_what_answered_the_watchdog_is_put_down_once_and_told_if_nothing_did(
    real, make_rig, confirmed
) -> None:
    """The run goes on meanwhile; where nothing answered whoever watches is told what becomes of a pressed PTT."""
    loaded, noted = real(), []
    tried = Tried(role="radio", confirmed=confirmed, said="radio (here): as found")
    bench = OpenBench(replace(make_rig().parts, announce=noted.append))
    bench._watchdog = LateWatchdog(ways_of(loaded.bench, loaded.profiles), None, (tried,))
    assert bench.watchdog_news() == ""
    assert noted == []
    news = bench.watchdog_news()
    assert (news == "") is confirmed
    if not confirmed:
        assert news.startswith(
            "No instrument answers the watchdog beside this program (radio (here): as found)."
        )
    assert [event.facts["said"] for event in noted] == ["radio (here): as found"]
    assert bench.watchdog_news() == "", "once"
