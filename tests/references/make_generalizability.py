"""Write the layouts that ``generalizability.R`` fits: ``python -m tests.references.make_generalizability``.

Five unbalanced layouts; readings have four decimals, so that both sides read the same numbers.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

OUT = Path(__file__).with_name("generalizability_layouts.csv")


def main() -> None:
    """Draw and write."""
    rng = np.random.default_rng(1972)
    parts = []

    def layout(name: str, sizes: dict[str, int], terms: dict[tuple[str, ...], float], missing: float,
               offset: float = 100.0) -> None:
        shape = tuple(sizes.values())
        grid = dict(zip(sizes, np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"), strict=True))
        y = offset + rng.normal(size=shape)
        for term, sd in terms.items():
            own = rng.normal(size=tuple(n if f in term else 1 for f, n in sizes.items()))
            y = y + sd * own
        frame = pd.DataFrame({f: g.ravel() + 1 for f, g in grid.items()}).assign(reading=np.round(y.ravel(), 4))
        keep = rng.random(len(frame)) >= missing
        parts.append(frame[keep].assign(layout=name))

    layout("crossed", {"p": 14, "i": 4, "o": 3, "r": 2}, {("p",): 3.0, ("i",): 1.2, ("o",): 0.8, ("p", "i"): 0.9,
                                                          ("p", "o"): 1.4, ("i", "o"): 0.5, ("p", "i", "o"): 0.6}, 0.15)
    layout("single", {"p": 20, "i": 3, "o": 3}, {("p",): 2.0, ("i",): 0.7, ("p", "o"): 1.0}, 0.20)
    layout("nested", {"p": 12, "i": 3, "h": 4}, {("p",): 2.0, ("h",): 1.0, ("i", "h"): 0.8, ("p", "h"): 0.9}, 0.15)
    layout("within", {"p": 15, "i": 3, "o": 3}, {("p",): 2.0, ("p", "o"): 1.2}, 0.15)
    layout("three", {"p": 10, "i": 3, "o": 3, "k": 2}, {("p",): 2.0, ("i",): 0.8, ("k",): 0.5, ("p", "o"): 0.9,
                                                        ("p", "i", "k"): 0.7}, 0.10)
    pd.concat(parts).to_csv(OUT, index=False)


if __name__ == "__main__":
    main()
