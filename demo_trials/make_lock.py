"""Write the locks of the demo study: ``python demo_trials/make_lock.py [FOLDER]``, after a change of ``study.toml``.

Their times are invented, as everything here. The first lock, a week before the first reading, holds what the laboratory
had settled by then; the tolerance between recalibrations, the budget and the costs were added with the second, while
readings were being taken. The report must tell the two apart.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

from drift.lock import LOCK_FILE, append_entry, fixed_settings
from drift.study import Costs, read_study

HERE = Path(__file__).resolve().parent
FIRST, SECOND = datetime(2025, 1, 6, 9, 0, tzinfo=UTC), datetime(2025, 2, 24, 15, 30, tzinfo=UTC)
WHO, VERSION = "Ada", "0.1.0"


def write_lock(folder: Path) -> None:
    """Write ``study.lock`` anew into a folder."""
    study = read_study(HERE)
    early = study.model_copy(update={"recalibration": None, "budget": None, "costs": Costs()})
    file = folder / LOCK_FILE
    file.unlink(missing_ok=True)
    for settled, when in ((early, FIRST), (study, SECOND)):
        append_entry(file, fixed_settings(settled), who=WHO, version=VERSION, now=when)


if __name__ == "__main__":
    write_lock(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
