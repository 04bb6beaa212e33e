"""The few things about files that differ between systems, kept in one place."""

from __future__ import annotations

import ctypes
import os
import sys
import time
from pathlib import Path

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_A_DAY = 86400.0


def exchange(first: Path, second: Path) -> bool:
    """Let two folders change places in one step; return False where the system or its disk cannot.

    Linux has ``renameat2`` with ``RENAME_EXCHANGE`` (man page renameat2(2)); elsewhere the caller has to
    rename twice.
    """
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    rename.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint)
    done = rename(_AT_FDCWD, os.fsencode(first), _AT_FDCWD, os.fsencode(second), _RENAME_EXCHANGE)
    return bool(done == 0)


def may_be_running(process: int, folder: Path) -> bool:
    """Tell whether the process that made ``folder`` may still be at work in it.

    Where signal 0 asks without harm (POSIX) the answer is exact up to reuse of numbers; elsewhere a folder
    younger than a day is left alone.
    """
    if os.name == "posix":
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return False
        except (PermissionError, OverflowError):
            return True
        return True
    return time.time() - folder.stat().st_mtime < _A_DAY
