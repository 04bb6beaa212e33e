"""Small results with every table the report draws, made by hand so that its tests need no fit."""

from __future__ import annotations

import json

import numpy as np

from drift.agreement import AgreementResult
from drift.errors import Finding
from drift.reliability import ReliabilityResult
from drift.report.study_result import StudyResult
from drift.results import Estimate, Exclusion, Provenance, Result, ResultTable, RowAccount
from drift.retirement import RetirementResult
from drift.sensitivity import WearResult

STUDY = {
    "study": {"title": "Bench checks of two constructions", "lab": "A made-up bench", "invented": True,
              "use_is": "one visit of one walker"},
    "limits": {"sensitivity_change": 0.10},
    "retirement": {"content": 0.9, "confidence": 0.95},
    "reliability": [{"name": "another day", "target": "participant", "facet": "session"}],
    "agreement": [{"name": "gait against bench", "compare": "method", "a": "gait", "b": "bench", "harmless": 25.0}],
}


def wear_result(*, n: int = 6, constructions: tuple[str, ...] = ("plain", "laminated")) -> Result:
    """Straight lines with a little noise on the log scale."""
    rng = np.random.default_rng(1)
    occasions: dict[str, list[object]] = {k: [] for k in ("sensor", "construction", "batch", "use", "response",
                                                          "response_se", "n")}
    lines: dict[str, list[object]] = {k: [] for k in ("sensor", "construction", "batch", "n_checks", "first_use",
                                                      "last_use", "intercept", "slope", "slope_se", "blup_intercept",
                                                      "blup_slope", "fall_percent_at_last")}
    population: dict[str, list[object]] = {k: [] for k in ("construction", "use", "fit", "low", "high")}
    uses = np.array([0, 1, 2, 5, 10, 15, 20, 25, 30, 35, 40])
    for k, c in enumerate(constructions):
        for i in range(n):
            a, b = np.log(0.62) + 0.03 * rng.standard_normal(), -0.004 * (1 - 0.4 * k) + 0.0007 * rng.standard_normal()
            last = 40 if i % 3 else 25
            for u in uses[uses <= last]:
                row = (f"{c[0].upper()}{i + 1:02d}", c, f"B{i % 3}", u, a + b * u + 0.006 * rng.standard_normal(),
                       0.006, 2)
                for key, value in zip(occasions, row, strict=True):
                    occasions[key].append(value)
            row = (f"{c[0].upper()}{i + 1:02d}", c, f"B{i % 3}", 9, 0, last, a, b, 0.0002, a, b,
                   100 * (1 - np.exp(b * last)))
            for key, value in zip(lines, row, strict=True):
                lines[key].append(value)
        for u in np.arange(0, 41, 4):
            fit = np.log(0.62) - 0.004 * (1 - 0.4 * k) * u
            for key, value in zip(population, (c, u, fit, fit - 0.02, fit + 0.02), strict=True):
                population[key].append(value)
    checks = {"sensor": occasions["sensor"], "construction": occasions["construction"], "batch": occasions["batch"],
              "use": occasions["use"], "replicate": ["1"] * len(occasions["use"]),
              "reading": 300 * np.exp(np.array(occasions["response"], dtype=float)),
              "sensitivity": np.exp(np.array(occasions["response"], dtype=float)),
              "sensitivity_se": [0.004] * len(occasions["use"]),
              "saturation_pressure": 1023 / np.exp(np.array(occasions["response"], dtype=float)),
              "levels": [5.0] * len(occasions["use"])}
    estimates = []
    for k, c in enumerate(constructions):
        b = -0.4 * (1 - 0.4 * k)
        estimates.append(Estimate(name="drift per use, percent", of={"question": "wear", "construction": c}, value=b,
                                  unit="%", std_error=0.03, low=b - 0.06, high=b + 0.06, level=0.95, n=n,
                                  method="REML, Kenward-Roger t interval"))
    shares = ResultTable.build("variance components", {
        "construction": ["plain"] * 3, "component": ["sensor start", "sensor slope", "occasion"],
        "sd": [0.03, 0.0007, 0.005], "low": [0.02, 0.0004, 0.004], "high": [0.05, 0.0012, 0.007],
        "share": [0.8, 0.1, 0.1], "method": ["parametric bootstrap"] * 3}, caption="Variance components of the lines")
    return WearResult(
        question="wear", answer="Sensitivity falls by 0.40 % per use (plain) and 0.24 % per use (laminated).",
        estimates=tuple(estimates),
        tables=(ResultTable.build("sensitivities", checks, units={"sensitivity": "count/kPa", "reading": "count",
                                                                  "saturation_pressure": "kPa", "use": "use"}),
                ResultTable.build("occasions", occasions, units={"use": "use"}),
                ResultTable.build("sensor lines", lines), ResultTable.build("population line", population), shares),
        findings=(Finding(severity="warning", code="no-replicates", message="occasion and residual are one component",
                          mend="Mount each sensor twice at a check."),
                  Finding(severity="note", code="start-removed", message="sensor P03 was first checked after use 1",
                          file="checks.csv", row=41, column="use", value="2")),
        exclusions=(Exclusion(question="wear", table="checks", file="checks.csv", row=9, kind="excluded",
                              reason="spilt coffee", key="P01, 5"),),
        provenance=Provenance(accounts=(RowAccount(question="wear", table="checks", read=111, used=110, excluded=1),),
                              seed=1))


def retirement_result() -> Result:
    """Two counts and their bound paths, distances on the log scale."""
    use = np.arange(0, 51.0)
    rows: dict[str, list[object]] = {k: [] for k in ("construction", "limit", "use", "bound", "limit_value", "mean")}
    for c, slope, bound in (("plain", -0.004, -0.0052), ("laminated", -0.0024, -0.0035)):
        for u in use:
            values = (c, "sensitivity_change", u, bound * u, np.log(0.9), slope * u)
            for key, value in zip(rows, values, strict=True):
                rows[key].append(value)
    of = {"question": "retire"}
    estimates = [Estimate(name="retire after", of={**of, "construction": c, **extra}, value=v, unit="uses", level=0.95,
                          bound="exact", n=6, method="noncentral t tolerance bound of sensor lines")
                 for c, v in (("plain", 20), ("laminated", 30)) for extra in ({}, {"limit": "sensitivity_change"})]
    return RetirementResult(question="retire", answer="Plain sensors: retire after 20 uses. Laminated sensors: "
                                     "retire after 30 "
                   "uses. At least 90 % of such sensors are then still within the limit, with 95 % confidence.",
                   estimates=tuple(estimates), tables=(ResultTable.build("bound path", rows),))


def reliability_result() -> Result:
    """One coefficient, its errors and shares by region."""
    regions = ("heel", "forefoot")
    of = {"question": "another day"}
    estimates = [Estimate(name="ICC(A,1)", of={**of, "model": "two-way random", "region": r}, value=v, low=v - 0.1,
                          high=v + 0.05, level=0.95, method="modified large sample", n=20)
                 for r, v in zip(regions, (0.86, 0.91), strict=True)]
    estimates += [Estimate(name="SEM (agreement)", of={**of, "region": r}, value=v, low=v - 2, high=v + 3, level=0.95,
                           unit="kPa", method="MLS", n=20) for r, v in zip(regions, (12.0, 9.0), strict=True)]
    shares = ResultTable.build("variance shares", {
        "region": [r for r in regions for _ in range(3)], "component": ["participant", "session", "residual"] * 2,
        "SD": [30.0, 5.0, 9.0, 25.0, 4.0, 8.0], "SD low": [22.0, 0.0, 7.0, 18.0, 0.0, 6.0],
        "SD high": [40.0, 12.0, 12.0, 34.0, 11.0, 10.0], "share": [86.0, 4.0, 10.0, 91.0, 0.2, 7.0]},
        units={"SD": "kPa", "share": "%"})
    return ReliabilityResult(question="another day", answer="Readings on another day: ICC(A,1) 0.86 at the heel.",
                             estimates=tuple(estimates), tables=(shares,))


def agreement_result() -> Result:
    """A cloud of pairs with its limits."""
    rng = np.random.default_rng(2)
    mean = rng.uniform(150, 320, 60)
    difference = 4 + 9 * rng.standard_normal(60)
    of = {"question": "gait against bench"}
    values = {"bias": (4.0, 1.6, 6.4), "lower limit": (-13.6, -17.8, -9.5), "upper limit": (21.6, 17.5, 25.8)}
    estimates = [Estimate(name=k, of=of, value=v, low=a, high=b, level=0.95, unit="kPa", n=60,
                          method="exact, noncentral t")
                 for k, (v, a, b) in values.items()]
    pairs = ResultTable.build("pairs", {"target": [f"W{i % 20:02d}" for i in range(60)], "mean": mean,
                                        "difference": difference}, units={"mean": "kPa", "difference": "kPa"})
    return AgreementResult(question="gait against bench", answer="Gait and bench calibration are not shown to be "
                                    "interchangeable.",
                  estimates=tuple(estimates), tables=(pairs, ResultTable.build("verdict", {
                               "verdict": ["not shown"], "harmless": [25.0]}, units={"harmless": "kPa"})))


def study_result() -> StudyResult:
    """All of them joined."""
    parts = (wear_result(), retirement_result(), reliability_result(), agreement_result())
    return StudyResult.join(
        parts, question=STUDY["study"]["title"], answer=parts[1].answer, findings=(),
        provenance=Provenance(seed=1, inputs={"checks.csv": "ab" * 32}, versions={"drift": "0.1.0", "python": "3.11"},
                              settings={"study": json.dumps(STUDY)}))
