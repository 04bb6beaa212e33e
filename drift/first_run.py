"""Set the package up in a virtual environment of its own, from a clone, with the standard library alone.

Used by ``python -m demo_trials`` and ``python -m tests``, so that one command does the same on Linux,
macOS and Windows on a machine that has nothing but Python and git.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
NEEDED = (3, 11)


def environment_python(folder: Path) -> Path:
    """Return the interpreter of a virtual environment, wherever the system puts it."""
    windows = folder / "Scripts" / "python.exe"
    return windows if sys.platform == "win32" else folder / "bin" / "python"


def prepare(extra: str = "") -> Path:
    """Make ``.venv`` beside the package if it is not there, install the package in it, return its interpreter.

    Parameters
    ----------
    extra : str
        Extra of the package to install with it, such as ``"test"``.

    Raises
    ------
    SystemExit
        With one sentence when Python is too old or the environment cannot be made.
    """
    if sys.version_info < NEEDED:
        raise SystemExit(f"drift needs Python {NEEDED[0]}.{NEEDED[1]} or newer; this is {sys.version.split()[0]}.")
    folder = ROOT / ".venv"
    python = environment_python(folder)
    if not python.exists():
        print("making a virtual environment in .venv ...", flush=True)
        made = subprocess.run([sys.executable, "-m", "venv", str(folder)], check=False)
        if made.returncode:
            raise SystemExit("no virtual environment could be made; on Debian and Ubuntu install python3-venv first.")
    wanted = f".[{extra}]" if extra else "."
    print(f"installing {wanted} with its libraries (a few minutes the first time) ...", flush=True)
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--editable", wanted]
    if subprocess.run(command, cwd=ROOT, check=False).returncode:
        raise SystemExit("the libraries could not be installed; see the lines above.")
    return python


def run(arguments: Sequence[str], *, extra: str = "") -> int:
    """Run the environment's Python with ``arguments`` from the top of the clone; return its exit code."""
    python = prepare(extra)
    return subprocess.run([str(python), *arguments], cwd=ROOT, check=False).returncode
