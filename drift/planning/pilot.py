"""Planning values from a pilot study: its variance components, each with the end of its interval that asks for more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from drift.errors import DriftError, Finding
from drift.planning.plan import PlanningValue
from drift.results import Estimate, Result, join_words

LEVEL = 0.60  # a two-sided interval whose ends are one-sided 80 % bounds
COMMANDS = {"icc": "icc", "sem": "icc", "limits": "agree", "slope": "wear", "retire": "wear", "gauge": "gauge"}
ASKED = {"icc": "[[reliability]] question over one facet", "agree": "[[agreement]] question", "wear": "checks",
         "gauge": "[[gauge]] question"}


def pilot_values(kind: str, parts: Sequence[Result], wanted: str | None) -> dict[str, PlanningValue]:
    """Take what a plan needs from the parts of a pilot that answer its kind of question.

    Parameters
    ----------
    kind : str
        Kind of plan.
    parts : sequence of Result
        Parts of the right command, at confidence level 0.6.
    wanted : str, optional
        Name of the question (of the construction, for wear).

    Raises
    ------
    DriftError
        When there is none, or several and none was named.
    """
    command = COMMANDS[kind]
    if command == "wear":
        return _of_wear(parts, wanted)
    named = [p for p in parts if wanted is None or p.question == wanted]
    if len(named) != 1:
        _several([p.question for p in parts], wanted, ASKED[command])
    return {"icc": _of_reliability, "agree": _of_agreement, "gauge": _of_gauge}[command](named[0])


def named_question(command: str, names: Sequence[str], wanted: str | None) -> None:
    """Refuse a pilot, before it is analysed, whose questions (constructions, for wear) do not say which is meant.

    Raises
    ------
    DriftError
        When there are several and none of them was named, or none of the name.
    """
    if command == "wear":
        if len(names) > 1 and wanted not in names:
            _several(names, wanted, ASKED[command])
    elif names and (len(names) > 1 if wanted is None else wanted not in names):
        _several(names, wanted, ASKED[command])


def _several(names: Sequence[str], wanted: str | None, what: str) -> None:
    if not names:
        raise DriftError(Finding(severity="error", code="pilot-without-question", file="study.toml",
                                 message=f"the pilot has no {what}", mend="Give the planning values themselves."))
    said = join_words([f"{n!r}" for n in names])
    raise DriftError(Finding(severity="error", code="pilot-question", value=wanted,
                             message=f"the pilot answers {said}" + (f", not {wanted!r}" if wanted else ""),
                             mend="Name one with --question."))


def _squared(e: Estimate, name: str, unit: str, source: str) -> PlanningValue:
    high = e.high**2 if math.isfinite(e.high) else math.nan
    return PlanningValue(name=name, value=e.value**2, unit=unit, source=source, unfavourable=high)


def _of_reliability(part: Result) -> dict[str, PlanningValue]:
    """Return the components of the group with the lowest coefficient: a plan for it serves the others."""
    found = [e for e in part.estimates if e.name == "variance component, SD"]
    if not found:
        _several([], None, ASKED["icc"])

    def group(e: Estimate) -> tuple[tuple[str, str], ...]:
        return tuple((k, v) for k, v in e.of.items() if k not in ("component", "question", "model"))

    icc = {group(e): e.value for e in part.estimates if e.name == "ICC(A,1)"}
    hardest = min(icc, key=lambda g: icc[g]) if icc else group(found[0])
    mine = [e for e in found if group(e) == hardest]
    source = f"pilot{', ' + ', '.join(v for _, v in hardest) if hardest else ''}"
    unit = f"{mine[0].unit} squared" if mine[0].unit else ""
    roles = _roles([e.of["component"] for e in mine])
    values = {roles[e.of["component"]]: replace(_squared(e, roles[e.of["component"]], unit, source),
                                                called=e.of["component"])
              for e in mine if e.of["component"] in roles}
    # Targets that are more alike than they seemed are what the coefficient suffers from.
    target = next(e for e in mine if roles.get(e.of["component"]) == "target")
    low = target.low**2 if math.isfinite(target.low) and target.low > 0 else math.nan
    values["target"] = replace(values["target"], unfavourable=low)
    return values


def _roles(components: Sequence[str]) -> dict[str, str]:
    """Return which part each component plays, from the order in which they are printed: target, facet, the rest."""
    roles = dict(zip(components[:2], ("target", "facet"), strict=True))
    for name in components[2:]:
        roles[name] = "residual" if name in ("residual", "within cell") else "interaction"
    return roles


def _of_agreement(part: Result) -> dict[str, PlanningValue]:
    bias, total = _first(part, "bias"), _first(part, "SD of differences")
    within = next((e for e in part.estimates if e.name == "SD within (residual)" and len(e.of) == len(total.of)), None)
    unit, source = total.unit, f"pilot, {part.question}"
    far = bias.high if bias.value >= 0 else bias.low
    values = {"bias": PlanningValue(name="bias", value=bias.value, unit=unit, source=source, unfavourable=far)}
    if within is None:
        values["sd"] = PlanningValue(name="sd", value=total.value, unit=unit, source=source, unfavourable=total.high)
        return values
    between = math.sqrt(max(total.value**2 - within.value**2, 0.0))
    top = math.sqrt(max(total.high**2 - within.value**2, 0.0)) if math.isfinite(total.high) else math.nan
    return {**values,
            "sd": PlanningValue(name="sd", value=between, unit=unit, source=source, unfavourable=max(top, between)),
            "within_sd": PlanningValue(name="within_sd", value=within.value, unit=unit, source=source,
                                       unfavourable=within.high)}


def _first(part: Result, name: str) -> Estimate:
    found = [e for e in part.estimates if e.name == name and math.isfinite(e.value)]
    if not found:
        _several([], None, ASKED["agree"])
    return found[0]


def _of_gauge(part: Result) -> dict[str, PlanningValue]:
    names = {"part variation (PV)": "target", "reproducibility (AV)": "facet",
             "part x operator interaction (INT)": "interaction", "repeatability (EV)": "residual"}
    source = f"pilot, {part.question}"
    found: dict[str, PlanningValue] = {}
    for e in part.estimates:
        role = names.get(e.name)
        if role and role not in found and math.isfinite(e.value):
            found[role] = _squared(e, role, f"{e.unit} squared" if e.unit else "", source)
    if "target" not in found or "residual" not in found:
        _several([], None, ASKED["gauge"])
    return found


def _of_wear(parts: Sequence[Result], wanted: str | None) -> dict[str, PlanningValue]:
    if not parts:
        _several([], None, ASKED["wear"])
    estimates = parts[0].estimates
    names = list(dict.fromkeys(e.of.get("construction", "") for e in estimates if e.name == "drift per use, percent"))
    if len(names) > 1 and wanted not in names:
        _several(names, wanted, ASKED["wear"])
    mine = {e.name: e for e in estimates if len(names) < 2 or e.of.get("construction") == wanted}
    if "drift per use, percent" not in mine:
        raise DriftError(Finding(severity="error", code="pilot-scale", message="the pilot's drift is not a share of "
                                 "sensitivity (its scale is linear)", mend="Give --wear, --wear-sd, --occasion-sd and "
                                 "--mounting-sd in percent."))
    source = f"pilot{', ' + str(wanted) if wanted else ''}"

    def sd(name: str, key: str, unit: str, *others: str) -> PlanningValue | None:
        there = [mine[n] for n in (name, *others) if n in mine and math.isfinite(mine[n].value)]
        if not there:
            return None
        ends = [e.high for e in there]  # without a finite end there is no unfavourable one, and that is said
        return PlanningValue(name=key, value=100 * math.hypot(*(e.value for e in there)), unit=unit, source=source,
                             unfavourable=100 * math.hypot(*ends) if all(map(math.isfinite, ends)) else math.nan)

    drift = mine["drift per use, percent"]
    values = {"wear": PlanningValue(name="wear", value=max(-drift.value, 0.0), unit="% per use", source=source)}
    pooled = "SD residual, occasion included"
    made = (sd("SD between sensors, drift per use", "wear_sd", "% per use", "SD between batches, drift per use"),
            sd("SD between sensors, start", "start_sd", "%", "SD between batches, start"),
            sd("SD between occasions", "occasion_sd", "%") or sd(pooled, "occasion_sd", "%"),
            sd("SD between mountings", "mounting_sd", "%"))
    values |= {v.name: v for v in made if v is not None}
    return values
