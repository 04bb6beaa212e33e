"""A study to fill in, with small invented tables, so that it can be checked and run as it stands."""

from __future__ import annotations

import os
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from random import Random

from drift.errors import DriftError, Finding

SEED = 7
SENSORS = ("S1", "S2", "S3", "S4", "S5", "S6")
USES = (0, 1, 5, 10, 15, 20)
LEVELS = (100, 300, 500)


def new_study_files() -> dict[str, str]:
    """Return name and text of each file of a new study."""
    toml = files("drift.report").joinpath("templates/new_study.toml").read_text(encoding="utf-8")
    random = Random(SEED)
    return {"study.toml": toml, "checks.csv": _checks(random), "trials.csv": _trials(random),
            "sensors.csv": "".join(["sensor,construction,batch\n",
                                    *(f"{s},plain,B{1 + i // 3}\n" for i, s in enumerate(SENSORS))])}


def _checks(random: Random) -> str:
    rows = ["sensor,use,replicate,reading,reference"]
    for sensor in SENSORS:
        start, slope = random.gauss(0.62, 0.015), random.gauss(-0.006, 0.0009)
        for use in USES:
            occasion = random.gauss(0.0, 0.004)
            for mounting in (1, 2):
                sensitivity = start * (1 + slope * use + occasion + random.gauss(0.0, 0.004))
                rows += [f"{sensor},{use},{mounting},{sensitivity * level + random.gauss(4.0, 1.0):.0f},{level}"
                         for level in LEVELS]
    return "\n".join(rows) + "\n"


def _trials(random: Random) -> str:
    rows = ["participant,session,method,reading"]
    for person in range(1, 13):
        own = random.gauss(240.0, 35.0)
        for session in ("first visit", "second visit"):
            day = random.gauss(0.0, 8.0)
            rows += [f"P{person:02d},{session},{method},{own + day + shift + random.gauss(0.0, 6.0):.1f}"
                     for method, shift in (("bench", 0.0), ("gait", 5.0))]
    return "\n".join(rows) + "\n"


def write_files(folder: Path, written: Mapping[str, str] | None = None) -> list[str]:
    """Write a new study into an empty or new folder; return the names of its files.

    Parameters
    ----------
    folder : Path
    written : mapping of str to str, optional
        Name and text of each file; the example study by default.

    Raises
    ------
    DriftError
        When the folder holds anything, or cannot be written.
    """
    written = new_study_files() if written is None else written
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = sorted(os.listdir(folder))
        if held:
            raise DriftError(Finding(severity="error", code="folder-not-empty", file=str(folder), value=held[0],
                                     message=f"the folder holds {len(held)} {'entry' if len(held) == 1 else 'entries'} "
                                     "already; nothing was written", mend="Give the name of a new or empty folder."))
        for name, text in written.items():
            with (folder / name).open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
    except OSError as error:
        raise DriftError(Finding(severity="error", code="cannot-write", file=str(folder),
                                 message=f"the folder cannot be written ({error.strerror or error})",
                                 mend="Choose another folder.")) from error
    return list(written)
