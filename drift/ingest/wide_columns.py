"""What can be said of the columns that a wide table is read from: which they are, their units, one unlike the rest."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from drift.errors import Finding
from drift.ingest.columns import split_header
from drift.records import TrialTable
from drift.units import UnitError, convert

FEWEST = 3  # of two columns nobody can tell which is the odd one
FAR_MEAN = 3.0  # distance of a mean from the others, in SDs of one of them
FAR_SD = 5.0  # ratio of SDs


def in_unit_of_first(halves: Sequence[TrialTable], headers: Sequence[str],
                     ) -> tuple[list[TrialTable] | None, list[Finding]]:
    """Return the tables with every reading in the unit of the first, and what is to be said of it.

    Parameters
    ----------
    halves : sequence of TrialTable
        One a column, each with the unit its header states or the one that was declared.
    headers : sequence of str
        Of their readings, as the file has them.

    Returns
    -------
    halves : list of TrialTable or None
        None where units do not measure the same thing, or one is not stated.
    findings : list of Finding
    """
    units = [t.units.get("reading", "") for t in halves]
    differing = [i for i, u in enumerate(units) if u != units[0]]
    if not differing:
        return list(halves), []
    made, findings, file = list(halves), [], halves[0].file
    for i in differing:
        both = f"{headers[0]!r} and {headers[i]!r}"
        try:
            values = np.asarray(convert(halves[i]["reading"], units[i], units[0]), dtype=np.float64)
        except UnitError:
            stated = f"{units[0] or 'none'} and {units[i] or 'none'}"
            return None, [Finding(
                severity="error", code="several-units", file=file,
                message=f"the headers {both} state units that do not measure the same thing, {stated}",
                mend="Name columns of one quantity, or correct the header")]
        made[i] = TrialTable({**halves[i].columns, "reading": values}, halves[i].row, file, halves[i].sha256,
                             halves[0].units)
        findings.append(Finding(
            severity="note", code="unit-converted", file=file, mend="Correct the header if it is not what was meant",
            message=f"the headers {both} state different units, so that {headers[i]!r} was converted from {units[i]} "
                    f"to {units[0]}"))
    return made, findings


def columns_taken(halves: Sequence[TrialTable], headers: Sequence[str], *, facet: str, said: bool) -> list[Finding]:
    """List the columns that were taken as readings, and caution of one that is unlike the rest.

    Parameters
    ----------
    halves : sequence of TrialTable
        One a column.
    headers : sequence of str
    facet : str
        What the columns together are called.
    said : bool
        Whether the caller named them; then nothing was guessed.
    """
    if said:
        return []
    file = halves[0].file
    made = [Finding(severity="note", code="columns-taken", file=file,
                    message=f"{len(headers)} columns were taken as readings, each a level of {facet!r}: "
                    + ", ".join(headers), mend="Name them with --columns if these are not the ones")]
    for j, header in enumerate(headers if len(headers) >= FEWEST else ()):
        why = " and ".join(filter(None, (_other_name(headers, j), _other_size(halves, j))))
        if why:
            rest = ",".join(h for h in headers if h != header)
            rest = f'"{rest}"' if re.search(r"[^\w,.-]", rest) else rest
            made.append(Finding(severity="warning", code="column-unlike-others", file=file, column=header,
                                message=f"the column is taken as readings like the others, but {why}",
                                mend=f"If it holds something else, name the columns of readings: --columns {rest}"))
    return made


def _stem(header: str) -> str:
    """Return the letters a header starts with, its unit left out."""
    return (re.match(r"[^\W\d_]*", split_header(header)[0].casefold()) or [""])[0]


def _other_name(headers: Sequence[str], j: int) -> str:
    """Say that all other headers start alike and this one does not."""
    rest = {_stem(h) for i, h in enumerate(headers) if i != j}
    stem = next(iter(rest))
    if len(rest) > 1 or len(stem) < 2 or _stem(headers[j]) == stem:
        return ""
    return f"the headers of the others all start with {stem!r}"


def _other_size(halves: Sequence[TrialTable], j: int) -> str:
    """Say that mean or SD lie far from those of all the others."""
    means = np.array([np.mean(t["reading"]) for t in halves])
    sds = np.array([np.std(t["reading"], ddof=1) if len(t) > 1 else np.nan for t in halves])
    others = np.arange(len(halves)) != j
    if not (np.isfinite(sds).all() and (sds[others] > 0).all()):
        return ""
    unit = f" {halves[0].units.get('reading', '')}".rstrip()
    mean, sd = float(np.median(means[others])), float(np.median(sds[others]))
    if np.all(np.abs(means[j] - means[others]) > FAR_MEAN * sds[others]):
        return f"their means lie around {mean:.3g}{unit} and its own is {means[j]:.3g}{unit}"
    if np.all(sds[j] > FAR_SD * sds[others]) or np.all(sds[j] < sds[others] / FAR_SD):
        return f"their SDs lie around {sd:.2g}{unit} and its own is {sds[j]:.2g}{unit}"
    return ""
