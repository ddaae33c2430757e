"""A small virtual machine (QEMU) that can be put to sleep, or have its network shares taken away, without touching this computer.

Its disk is made of the Debian packages that are installed here, of this interpreter, and of the project: nothing is fetched. It is
emulated in software, many times slower than this computer. It is reached by an agent that listens inside it; what this computer's
loopback serves is at `HOST` for it.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sequencer.frozen import dataclass

HOST = "10.0.2.2"
"""This computer's loopback, as the machine sees it (QEMU's user network)."""
PROJECT = Path(__file__).resolve().parents[2]
_MODULES = (
    *("virtio_pci", "virtio_blk", "virtio_net", "ext4", "nfs", "nfsv3", "nfsv4", "nfsd", "cifs", "veth"),
    *(
        "iptable_filter",
        "xt_tcpudp",
        "cmac",
        "md5",
        "sha512",
        "aes",
        "ccm",
        "gcm",
        "ecb",
        "des_generic",
        "arc4",
    ),
)
_PACKAGES = (
    *(
        "bash",
        "coreutils",
        "util-linux",
        "util-linux-extra",
        "kmod",
        "iproute2",
        "iptables",
        "procps",
        "grep",
        "sed",
        "mount",
    ),
    *(
        "findutils",
        "login",
        "base-files",
        "base-passwd",
        "netbase",
        "libc-bin",
        "libstdc++6",
        "libsqlite3-0",
        "libssl3",
    ),
    *("libffi8", "zlib1g", "libbz2-1.0", "liblzma5", "libreadline8", "libuuid1"),
)
_SHARES = ("nfs-kernel-server", "nfs-common", "rpcbind", "samba", "cifs-utils")
_PROGRAMS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "busybox": "busybox-static",
    "cpio": "cpio",
    "mke2fs": "e2fsprogs",
    "modprobe": "kmod",
    "apt-cache": "apt",
    "ldconfig": "libc-bin",
}
_LEFT_OUT = (
    "playwright",
    "pyarrow*",
    "pandas*",
    "statsmodels*",
    "mypy*",
    "*mypyc*",
    "pip",
    "hypothesis",
    "fontTools",
    "test",
)
_INIT = """\
#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
for module in $(cat /modules/order); do insmod /modules/$module 2>/dev/null; done
mount -t ext4 /dev/vda /new
for one in proc sys dev; do mount --move /$one /new/$one; done
exec switch_root /new /bin/bash /guest.sh
"""
_GUEST = """\
export PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8
for one in /tmp /run /var/tmp /dev/shm; do mkdir -p $one; mount -t tmpfs tmpfs $one; chmod 1777 $one; done
mkdir -p /dev/pts; mount -t devpts devpts /dev/pts
echo bench-laptop > /proc/sys/kernel/hostname; echo "127.0.0.1 localhost bench-laptop" > /etc/hosts
ip link set lo up; ip link set eth0 up; ip addr add 10.0.2.15/24 dev eth0; ip route add default via 10.0.2.2
cd /root; exec {python} /agent.py
"""
_AGENT = '''\
"""Run what is asked for over a socket, each request in a thread: {"run": "shell"} or {"put": "path", "content": "base64"}."""
import base64, json, os, signal, socket, subprocess, threading

def serve(connection):
    with connection, connection.makefile("rwb") as lines:
        asked = json.loads(lines.readline())
        if "put" in asked:
            with open(asked["put"], "wb") as file:
                file.write(base64.b64decode(asked["content"]))
            said = {}
        else:
            ran = subprocess.run(["bash", "-c", asked["run"]], capture_output=True, stdin=subprocess.DEVNULL)
            said, errors = (one.decode("utf-8", "replace") for one in (ran.stdout, ran.stderr))
            said = {"status": ran.returncode, "said": said, "errors": errors}
        lines.write(json.dumps(said).encode() + b"\\n")

listening = socket.create_server(("0.0.0.0", 7000), backlog=64)
while True:
    threading.Thread(target=serve, args=(listening.accept()[0],), daemon=True).start()
'''


class Missing(Exception):
    """What this computer lacks to make or to run the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a command inside the machine came to."""

    status: int
    said: str
    errors: str


def missing() -> list[str]:
    """Return what is to be installed here first, as Debian's packages."""
    lacks = [package for program, package in _PROGRAMS.items() if shutil.which(program) is None]
    lacks += [] if _kernels() else ["linux-image-amd64"]
    lacks += [one for one in _SHARES if not Path(f"/var/lib/dpkg/info/{one}.list").exists()]
    return lacks


def _kernels() -> list[Path]:
    return sorted(
        one for one in Path("/boot").glob("vmlinuz-*") if Path("/lib/modules", one.name[8:]).is_dir()
    )


def _ran(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout


class Disk:
    """The kernel, its first file system, and the disk, in a folder; made anew each time (a minute)."""

    def __init__(self, folder: Path) -> None:
        """Raises Missing, in words."""
        if lacks := missing():
            raise Missing(f"needs: apt-get install --no-install-recommends {' '.join(lacks)}")
        if os.geteuid():
            raise Missing("needs root: the disk is made of files of the system")
        self.kernel = _kernels()[-1]
        self.release = self.kernel.name.removeprefix("vmlinuz-")
        self.first, self.image = folder / "first.gz", folder / "disk.img"
        root = folder / "root"
        shutil.rmtree(root, ignore_errors=True)
        root.mkdir(parents=True)
        self._make_first(folder / "first")
        self._copy_system(root)
        self._copy_python(root)
        _copy(root, [PROJECT / one for one in ("sequencer", "drivers", "sim", "sequences", "pyproject.toml")])
        (root / "guest.sh").write_text(_GUEST.format(python=sys.executable), encoding="utf-8")
        (root / "agent.py").write_text(_AGENT, encoding="utf-8")
        self.image.unlink(missing_ok=True)
        _ran("mke2fs", "-q", "-t", "ext4", "-d", str(root), str(self.image), "3G")
        shutil.rmtree(root)

    def _modules(self) -> list[str]:
        found: dict[str, None] = {}
        for name in _MODULES:
            said = subprocess.run(
                ["modprobe", "-S", self.release, "--show-depends", name],
                capture_output=True,
                text=True,
                check=False,
            ).stdout
            found |= dict.fromkeys(
                line.split()[1] for line in said.splitlines() if line.startswith("insmod ")
            )
        return list(found)

    def _make_first(self, root: Path) -> None:
        shutil.rmtree(root, ignore_errors=True)
        for one in ("bin", "modules", "proc", "sys", "dev", "new"):
            (root / one).mkdir(parents=True)
        shutil.copy(str(shutil.which("busybox")), root / "bin/busybox")
        for module in self._modules():
            shutil.copy(module, root / "modules")
        names = [Path(one).name for one in self._modules()]
        (root / "modules/order").write_text("\n".join(names) + "\n", encoding="ascii")
        (root / "init").write_text(_INIT, encoding="ascii")
        (root / "init").chmod(0o755)
        packed = f"cd {root} && find . | cpio -o -H newc --quiet | gzip -1 > {self.first}"
        subprocess.run(["bash", "-c", packed], check=True)

    def _copy_system(self, root: Path) -> None:
        for folder in (
            "usr/bin",
            "usr/sbin",
            "usr/lib",
            "usr/lib64",
            "proc",
            "sys",
            "dev",
            "root",
            "tmp",
            "run",
            "etc",
            "srv",
            "mnt",
        ):
            (root / folder).mkdir(parents=True, exist_ok=True)
        for link in ("bin", "sbin", "lib", "lib64"):
            (root / link).symlink_to(f"usr/{link}")
        asked = [
            "apt-cache",
            "depends",
            "--recurse",
            "--installed",
            "--no-recommends",
            "--no-suggests",
            "--no-conflicts",
        ]
        asked += ["--no-breaks", "--no-replaces", "--no-enhances", *_PACKAGES, *_SHARES]
        packages = {line for line in _ran(*asked).splitlines() if line[:1].isalnum()}
        files: dict[Path, None] = {}
        for package in sorted(packages):
            for name in (package, f"{package}:amd64"):
                if (listed := Path(f"/var/lib/dpkg/info/{name}.list")).exists():
                    files |= dict.fromkeys(map(Path, listed.read_text("utf-8").splitlines()))
        plain = [one for one in files if one.is_file() and not str(one).startswith("/usr/share/")]
        _copy(
            root,
            [
                Path("/usr", one.relative_to("/")) if one.parts[1] in ("bin", "sbin", "lib", "lib64") else one
                for one in plain
            ],
        )
        _copy(
            root,
            [
                Path("/etc", one)
                for one in ("passwd", "group", "shadow", "nsswitch.conf", "netconfig")
                if Path("/etc", one).exists()
            ],
        )
        subprocess.run(["ldconfig", "-r", str(root)], check=True)

    def _copy_python(self, root: Path) -> None:
        base = Path(sys.base_prefix)
        if base != Path("/usr"):
            version = f"python{sys.version_info.major}.{sys.version_info.minor}"
            _copy(
                root,
                [base / "bin", *base.glob("lib/libpython*"), base / "lib" / version],
                leave_out=("test", "site-packages"),
            )
        _copy(root, [Path(sys.prefix)], leave_out=_LEFT_OUT)


def _copy(root: Path, paths: Iterable[Path], leave_out: Iterable[str] = ()) -> None:
    """Copy files and folders to the same places under ``root``."""
    words = [
        "tar",
        "--create",
        "--file=-",
        "--absolute-names",
        *(f"--exclude={one}" for one in leave_out),
        "--null",
        "--files-from=-",
    ]
    names = b"\0".join(str(one).lstrip("/").encode() for one in paths)
    packing = subprocess.Popen(
        words, cwd="/", stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    unpacking = subprocess.Popen(
        ["tar", "--extract", "--file=-", "--keep-directory-symlink"], cwd=root, stdin=packing.stdout
    )
    assert packing.stdin is not None
    packing.stdin.write(names)
    packing.stdin.close()
    if unpacking.wait() or packing.wait() > 1:
        raise OSError(f"copying into {root} failed")


class Machine:
    """A machine that runs; what it changes on its disk is gone with it."""

    def __init__(self, disk: Disk, folder: Path, *, memory_mb: int = 1024) -> None:
        self.port = _free_port()
        self._console = folder / f"console-{self.port}"
        self._monitor = folder / f"monitor-{self.port}"
        self._process = subprocess.Popen(
            [
                *(
                    "nice",
                    "-n",
                    str(max(0, 10 - os.nice(0))),
                    "qemu-system-x86_64",
                    "-M",
                    "pc",
                    "-accel",
                    "tcg,tb-size=512",
                    "-cpu",
                    "max",
                ),
                *(
                    "-m",
                    str(memory_mb),
                    "-smp",
                    "1",
                    "-display",
                    "none",
                    "-no-reboot",
                    "-rtc",
                    "base=utc,clock=host",
                ),
                *(
                    "-serial",
                    f"file:{self._console}",
                    "-kernel",
                    str(disk.kernel),
                    "-initrd",
                    str(disk.first),
                ),
                *("-append", "console=ttyS0 panic=-1 no_console_suspend mitigations=off quiet"),
                *(
                    "-drive",
                    f"file={disk.image},format=raw,if=virtio,snapshot=on",
                    "-qmp",
                    f"unix:{self._monitor},server=on,wait=off",
                ),
                *("-nic", f"user,model=virtio-net-pci,hostfwd=tcp:127.0.0.1:{self.port}-:7000"),
            ]
        )

    def __enter__(self) -> Machine:
        until_s = time.monotonic() + 300.0
        while time.monotonic() < until_s and self._process.poll() is None:
            try:
                self.run("true", within_s=20.0)
            except (OSError, ValueError):
                time.sleep(1.0)
            else:
                return self
        self.__exit__()
        raise Missing(f"the machine did not start; its console: {self._console}\n{self.console()[-1500:]}")

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()

    def console(self) -> str:
        """Return what the machine's kernel said."""
        return self._console.read_text("utf-8", "replace") if self._console.exists() else ""

    def run(self, command: str, *, within_s: float = 900.0) -> Said:
        """Run a shell command in the machine. Raises OSError or ValueError where the machine does not answer."""
        answer = self._ask({"run": command}, within_s)
        return Said(status=answer["status"], said=answer["said"], errors=answer["errors"])

    def put(self, path: str, content: str) -> None:
        """Write a file in the machine."""
        self._ask({"put": path, "content": base64.b64encode(content.encode()).decode()}, 60.0)

    def _ask(self, asked: dict[str, Any], within_s: float) -> dict[str, Any]:
        with (
            socket.create_connection(("127.0.0.1", self.port), timeout=within_s) as line,
            line.makefile("rwb") as lines,
        ):
            lines.write(json.dumps(asked).encode() + b"\n")
            lines.flush()
            answer: dict[str, Any] = json.loads(lines.readline())
            return answer


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])
