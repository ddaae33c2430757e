"""One instrument has one lock, in whatever way its address is written.

Ways of writing: VPP-4.3, 4.3.1 (from memory). `localhost` is 127.0.0.1: RFC 6761, 6.3. Port 5025 is scpi-raw: IANA (from memory).
"""

from __future__ import annotations

import errno
from contextlib import ExitStack
from pathlib import Path

import pytest

from sequencer.bench.aliases import names_of
from sequencer.bench.locks import BenchBusy, _reason, lock_addresses, locks_note
from sequencer.files.mounts import filesystem_of, is_remote
from sequencer.inputs.load_bench import load_bench
from sequencer.safety.remembered.state_folder import StateFolder


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP::192.0.2.11::INSTR", "tcpip0::192.0.2.11::inst0::INSTR"),
        ("TCPIP0::192.0.2.11::05025::SOCKET", "TCPIP::192.0.2.11::5025::SOCKET"),
        ("TCPIP0::192.0.2.11::5025::SOCKET", "TCPIP0::192.0.2.11::hislip0::INSTR"),
        ("TCPIP0::192.0.2.11::hislip0::INSTR", "TCPIP0::192.0.2.11::inst0"),
        ("TCPIP0::localhost::4001::SOCKET", "TCPIP0::127.0.0.1::4001::SOCKET"),
        ("TCPIP0::[::1]::4001::SOCKET", "TCPIP0::[0:0:0:0:0:0:0:1]::4001::SOCKET"),
        ("GPIB::7::INSTR", "GPIB0::07"),
        ("USB0::0x1AB1::0x0588::DS1::INSTR", "USB::6833::1416::DS1"),
    ],
)
def test_ways_of_writing_meet(one: str, other: str) -> None:
    """They share a name, so that whoever comes second is refused."""
    assert set(names_of(one)) & set(names_of(other))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP0::192.0.2.11::5025::SOCKET", "TCPIP0::192.0.2.12::5025::SOCKET"),
        ("TCPIP0::192.0.2.11::4001::SOCKET", "TCPIP0::192.0.2.11::4002::SOCKET"),
        ("TCPIP0::192.0.2.11::gpib0,5::INSTR", "TCPIP0::192.0.2.11::gpib0,6::INSTR"),
        ("TCPIP0::192.0.2.11::inst1::INSTR", "TCPIP0::192.0.2.11::hislip0::INSTR"),
        ("GPIB0::7::INSTR", "GPIB0::8::INSTR"),
        ("GPIB0::7::INSTR", "GPIB1::7::INSTR"),
    ],
)
def test_other_instruments_do_not(one: str, other: str) -> None:
    """Ports of a serial server and devices behind a gateway are instruments of their own."""
    assert not set(names_of(one)) & set(names_of(other))


def test_a_serial_port_is_one_by_its_name_and_by_a_link_to_it(tmp_path: Path) -> None:
    """/dev/serial/by-id holds such links."""
    port, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    port.touch()
    link.symlink_to(port)
    assert set(names_of(f"ASRL{port}::INSTR")) & set(names_of(f"ASRL{link}::INSTR"))


def test_an_unknown_host_costs_nothing_but_its_alias() -> None:
    """It has one name, as written (RFC 2606: .invalid is nobody's)."""
    assert names_of("TCPIP0::nowhere.invalid::5025::SOCKET") == ("TCPIP0::NOWHERE.INVALID::5025::SOCKET",)


def test_a_bench_by_another_way_of_writing_is_refused(bench_file, tmp_path, monkeypatch) -> None:
    """Two bench files that name one instrument differently; a bench whose own entries share a host is not refused by itself."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path / "state"))
    bench = load_bench(str(bench_file())).bench.model_copy(update={"visa": "py", "unit": None})
    name, entry = next(iter(bench.instruments.items()))
    other = bench.model_copy(
        update={
            "instruments": {
                name: entry.model_copy(
                    update={"address": entry.address.replace("5025::SOCKET", "hislip0::INSTR")}
                )
            }
        }
    )
    assert other.instruments[name].address != entry.address
    with ExitStack() as stack:
        lock_addresses(bench, stack)
        with pytest.raises(BenchBusy, match="another process drives"), ExitStack() as second:
            lock_addresses(other, second)


MOUNTS = """\
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
40 22 {device} / {path} rw,relatime shared:20 - nfs4 server:/benches rw,vers=4.2
"""


def test_locks_on_a_network_share_state_their_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which file systems are another machine's is read off the mounts (proc(5) of Linux); the words say what does not hold there."""
    import os

    device = tmp_path.stat().st_dev
    mounts = tmp_path / "mountinfo"
    mounts.write_text(
        MOUNTS.format(device=f"{os.major(device)}:{os.minor(device)}", path=tmp_path), encoding="ascii"
    )
    assert filesystem_of(tmp_path, mounts) == "nfs4"
    assert filesystem_of(tmp_path / "to be" / "made", mounts) == "nfs4", "the first command makes it"
    assert filesystem_of(tmp_path, tmp_path / "none") == ""
    assert [is_remote(kind) for kind in ("nfs4", "cifs", "fuse.sshfs", "ext4", "tmpfs", "")] == [True] * 3 + [
        False
    ] * 3
    assert locks_note(StateFolder(path=tmp_path)) == "", "this machine's own"
    monkeypatch.setattr("sequencer.bench.locks.filesystem_of", lambda path: "nfs4")
    note = locks_note(StateFolder(path=tmp_path))
    assert note.startswith("warning: the locks of this bench stand on a network share (nfs4: ")
    assert "Drive a bench from one machine" in note


def test_another_users_lock_on_a_network_share_is_refused_in_words() -> None:
    """flock(2) of Linux, "NFS details": there an exclusive lock wants a file that is open for writing, else EBADF [measured: NFS 4.2]."""
    said = _reason(OSError(errno.EBADF, "Bad file descriptor"))
    assert said == "it is another user's, and this share locks only what one may write to"
