"""Invented ledger of the Fellbridge laboratory: twelve insoles in use, two check standards, one bad day of the rig.

``python demo_trials/today_world.py`` writes ``today/ledger.sqlite``, ``sensors.csv`` and ``truth.json`` again; the
chain of the ledger ends alike every time. Nothing here touches the other demo files: the seed is its own.
"""

from __future__ import annotations

import json
import sys
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).resolve().parent / "today"
if __name__ == "__main__":
    sys.path.insert(0, str(FOLDER.parents[1]))

from drift.ledger import Entry, Ledger  # noqa: E402

SEED = 20261201
SENSORS = tuple(f"T{i:02d}" for i in range(1, 13))
LEVELS = (200, 500, 800)
FIRST, DAYS = date(2026, 1, 12), 36
EVERY = 5
START_SD, SLOPE, SLOPE_SD, OCCASION_SD, READING_SD = 0.03, -0.0075, 0.0010, 0.006, 0.004
OFF, OFF_BY = "T03", -0.12
WORN, WORN_SLOPE = "T07", -0.0115
FINE, FINE_SLOPE = "T01", -0.0060
BAD_DAY, BAD_BY = 23, 0.05
STANDARDS = ("CS1", "CS2")
STANDARD_SD = 0.006


def sessions_of(sensor: int) -> int:
    """Sessions of an insole in these weeks: 26 to 37, so that insoles are of different ages."""
    return 26 + sensor


def entries() -> tuple[list[tuple[str, str, Entry]], dict[str, object]]:
    """Return the entries in the order of their days, each with who and when, and the truth."""
    rng = np.random.default_rng(SEED)
    start = rng.normal(0, START_SD, len(SENSORS))
    slope = rng.normal(SLOPE, SLOPE_SD, len(SENSORS))
    slope[SENSORS.index(WORN)], slope[SENSORS.index(FINE)] = WORN_SLOPE, FINE_SLOPE
    made: list[tuple[str, str, Entry]] = []

    def put(day: int, hour: int, who: str, kind: str, body: dict[str, str]) -> None:
        at = datetime.combine(FIRST + timedelta(days=day), datetime.min.time()).replace(hour=hour)
        cells = {**body, "time": at.isoformat(timespec="minutes")}
        number = len(made) + 1
        made.append((at.isoformat(timespec="seconds") + "+00:00", who,
                     Entry(kind=kind, body=cells, entry_id=f"demo-{number:04d}")))

    used = [0] * len(SENSORS)
    for day in range(DAYS):
        rig = BAD_BY if day == BAD_DAY else 0.0
        for name in STANDARDS:
            value = 500 * np.exp(rig + rng.normal(0, STANDARD_SD))
            put(day, 8, "Dov", "standard", {"sensor": name, "use": str(day), "reading": f"{value:.1f}",
                                            "reference": "500"})
        for i, name in enumerate(SENSORS):
            due = round((day + 1) * sessions_of(i) / DAYS)
            while True:
                if used[i] % EVERY == 0 and (used[i] == 0 or day != BAD_DAY):
                    _check(put, rng, day, name, used[i], start[i] + slope[i] * used[i], last=sessions_of(i))
                if used[i] >= due:
                    break
                used[i] += 1
                put(day, 10, "Bo", "session", {"sensor": name, "use": str(used[i])})
                if used[i] >= due and used[i] % EVERY:
                    break
    truth = {"invented": True, "seed": SEED, "off its path": OFF, "worn": WORN, "fine": FINE,
             "rig shift on": (FIRST + timedelta(days=BAD_DAY)).isoformat(), "slope": SLOPE,
             "slopes": {n: round(float(s), 6) for n, s in zip(SENSORS, slope, strict=True)},
             "limit": "fall of sensitivity of 25 %",
             "uses at the limit": {n: round(float(np.log(0.75) / s), 1) for n, s in zip(SENSORS, slope, strict=True)}}
    return made, truth


_seen: set[tuple[str, int]] = set()


def _check(put, rng: np.random.Generator, day: int, name: str, use: int, log_gain: float, *,  # type: ignore[no-untyped-def]
           last: int) -> None:
    """Check an insole at three levels, once at each use count."""
    if (name, use) in _seen:
        return
    _seen.add((name, use))
    off = OFF_BY if name == OFF and use + EVERY > last else 0.0
    gain = np.exp(log_gain + off + rng.normal(0, OCCASION_SD))
    for level in LEVELS:
        reading = 4.0 + 0.95 * gain * level * np.exp(rng.normal(0, READING_SD))
        put(day, 9, "Bo", "check", {"sensor": name, "use": str(use), "replicate": "1", "level": str(level),
                                    "reference": str(level), "reading": f"{reading:.1f}"})


def main(folder: Path = FOLDER) -> None:
    """Write ledger, sensors and truth."""
    _seen.clear()
    made, truth = entries()
    path = folder / "ledger.sqlite"
    path.unlink(missing_ok=True)
    # Written as on a network folder: the file lies in a source tree, where nothing should appear beside it.
    with Ledger(path, create=True, network=True) as ledger:
        for (when, who), group in _together(made):
            ledger.append(group, who=who, when=when)
    rows = [f"{n},plain,{'T-a' if i < 6 else 'T-b'},worn" for i, n in enumerate(SENSORS)]
    rows += [f"{n},,,check standard" for n in STANDARDS]
    (folder / "sensors.csv").write_text("\n".join(["sensor,construction,batch,role", *rows]) + "\n", encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


def _together(made: list[tuple[str, str, Entry]]) -> list[tuple[tuple[str, str], list[Entry]]]:
    groups: list[tuple[tuple[str, str], list[Entry]]] = []
    for when, who, entry in made:
        if not groups or groups[-1][0] != (when, who):
            groups.append(((when, who), []))
        groups[-1][1].append(entry)
    return groups


if __name__ == "__main__":
    main()
