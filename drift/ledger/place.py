"""Whether a path lies on a network folder, where a database needs a slower and stricter way of writing."""

from __future__ import annotations

import os
import sys
from pathlib import Path

NETWORK_KINDS = frozenset({"nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "ncpfs", "afs", "afpfs", "webdav",
                           "davfs", "9p", "ceph", "glusterfs", "lustre", "gpfs", "beegfs", "virtiofs", "vboxsf"})
NETWORK_FUSE = ("fuse.sshfs", "fuse.davfs", "fuse.rclone", "fuse.gvfsd-fuse", "fuse.glusterfs", "fuse.ceph",
                "fuse.smbnetfs", "fuse.s3fs")
_REMOTE_DRIVE = 4


def is_network(path: str | Path, *, mounts: str | None = None, platform: str | None = None) -> bool:
    """Tell whether a file lies, or would lie, on a network folder.

    Parameters
    ----------
    path : str or Path
        The file need not exist.
    mounts : str, optional
        Text of ``/proc/self/mountinfo``; read from the system by default.
    platform : str, optional
        As ``sys.platform``.

    Notes
    -----
    On Linux by the type of the mount that holds the path; on Windows by a UNC path or a mapped drive. Where neither
    can be seen the folder counts as local.
    """
    system = platform or sys.platform
    text = str(path)
    if system == "win32":
        return text.startswith(("\\\\", "//")) or _mapped(text)
    if mounts is None:
        try:
            mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
        except OSError:
            return False
    kind = _mount_kind(os.path.realpath(text), mounts)
    return kind in NETWORK_KINDS or kind.startswith(NETWORK_FUSE)


def _mount_kind(real: str, mounts: str) -> str:
    """Return the file system of the longest mount point above a path; later mounts hide earlier ones."""
    best, kind = -1, ""
    for line in mounts.splitlines():
        left, dash, right = line.partition(" - ")
        fields = left.split()
        if not dash or len(fields) < 5:
            continue
        point = fields[4].replace("\\040", " ").rstrip("/")
        if (real == point or real.startswith(f"{point}/")) and len(point) >= best:
            best, kind = len(point), right.split()[0]
    return kind


def _mapped(text: str) -> bool:
    """Tell whether a drive letter of Windows is a network drive."""
    if len(text) < 2 or text[1] != ":" or sys.platform != "win32":
        return False
    import ctypes

    return bool(ctypes.windll.kernel32.GetDriveTypeW(f"{text[:2]}\\") == _REMOTE_DRIVE)
