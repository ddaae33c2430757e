"""What a path stands on: a disk of this machine, or another machine's, whose locks are another matter."""

from __future__ import annotations

import os
from pathlib import Path

_REMOTE = (
    "nfs",
    "cifs",
    "smb",
    "afs",
    "ceph",
    "9p",
    "virtiofs",
    "glusterfs",
    "lustre",
    "gpfs",
    "beegfs",
    "fuse.",
)
_ALSO_REMOTE = ("ncpfs", "coda", "vboxsf", "prl_fs")


def filesystem_of(path: Path, mounts: Path = Path("/proc/self/mountinfo")) -> str:
    """Return the type of the file system that ``path`` stands on, or will once it is made (proc(5) of Linux).

    Empty where the system does not say.
    """
    try:
        device = _device_of(path.absolute())
        lines = mounts.read_text("utf-8", "replace").splitlines()
    except OSError:
        return ""
    wanted = f"{os.major(device)}:{os.minor(device)}"
    for line in lines:
        mount, _, after = line.partition(" - ")
        if mount.split(" ")[2:3] == [wanted]:
            return after.split(" ")[0]
    return ""


def is_remote(kind: str) -> bool:
    """Say whether a file system of that type is another machine's, or may be."""
    return kind.startswith(_REMOTE) or kind in _ALSO_REMOTE


def _device_of(path: Path) -> int:
    for one in (path, *path.parents):
        try:
            return one.stat().st_dev
        except FileNotFoundError:
            continue
    raise FileNotFoundError(path)
