"""Relations 37 to 41: gauge studies, laboratories, uncertainty budgets."""

from __future__ import annotations

from drift.reported.relation import Case, Relation, exact, varied

ISO = "ISO 22514-7:2021; Burdick, Borror and Montgomery (2005), Design and Analysis of Gauge R&R Studies"
GUM = "JCGM 100:2008"
MANDEL = "ISO 5725-2:1994, clause 7.3"


def relations() -> list[Relation]:
    """Return the relations of this family."""
    made = [
        varied(37, "a", "gauge R&R squared is the sum of its parts", "E",
               Case(("grr**2 == ev**2 + av**2",), {}, "without interaction"),
               Case(("grr**2 >= ev**2 + av**2",), {}, "with an interaction that is not printed", False), target="grr",
               source=ISO, unless=("interaction",)),
        exact(37, "b", "gauge R&R squared is the sum of its parts, interaction included", "E",
              "grr**2 == ev**2 + av**2 + interaction**2", target="grr", source=ISO),
        exact(37, "c", "total variation squared is gauge R&R and parts", "E", "tv**2 == grr**2 + pv**2", target="tv",
              source=ISO),
        exact(37, "d", "percent study variations: squares of GRR and PV add up", "E",
              "pct_grr**2 + pct_pv**2 == 10000", target="pct_pv", source=ISO),
        varied(37, "e", "percent study variations: squares of EV and AV add up to that of GRR", "E",
               Case(("pct_grr**2 == pct_ev**2 + pct_av**2",), {}, "without interaction"),
               Case(("pct_grr**2 >= pct_ev**2 + pct_av**2",), {}, "with an interaction that is not printed", False),
               target="pct_grr", source=ISO, unless=("pct_int",)),
        exact(37, "e2", "percent study variations: squares of EV, AV and INT add up to that of GRR", "E",
              "pct_grr**2 == pct_ev**2 + pct_av**2 + pct_int**2", target="pct_grr", source=ISO),
        exact(37, "f", "percent contributions of GRR and PV add up to 100", "E", "con_grr + con_pv == 100",
              target="con_pv", source=ISO),
        varied(37, "g", "percent contributions of EV and AV add up to that of GRR", "E",
               Case(("con_grr == con_ev + con_av",), {}, "without interaction"),
               Case(("con_grr >= con_ev + con_av",), {}, "with an interaction that is not printed", False),
               target="con_grr", source=ISO, unless=("con_int",)),
        exact(37, "g2", "percent contributions of EV, AV and INT add up to that of GRR", "E",
              "con_grr == con_ev + con_av + con_int", source=ISO),
    ]
    for part, x in zip("hijkl", ("ev", "av", "int", "grr", "pv"), strict=True):
        made.append(exact(37, part, "percent contribution is the square of percent study variation", "E",
                          f"con_{x} == pct_{x}**2/100", source=ISO))
        if x != "int":
            made.append(exact(37, part + "2", "percent study variation is over total variation", "E",
                              f"pct_{x} == 100*{x}/tv", source=ISO))
    roots = (("1.41", "1.41"), ("sqrt(2)", "root of 2"))
    made += [
        varied(38, "a", "ndc from %GRR", "E",
               *(Case((f"ndc == {c}*sqrt(10000/pct_grr**2 - 1)",), {}, said) for c, said in roots),
               *(Case((f"ndc <= {c}*sqrt(10000/pct_grr**2 - 1)", f"ndc >= {c}*sqrt(10000/pct_grr**2 - 1) - 1"), {},
                      f"{said}, cut to a whole number") for c, said in roots),
               # Programs print 1 where the number is below it.
               Case(("ndc == 1", "1.41*sqrt(10000/pct_grr**2 - 1) <= 1"), {}, "at least 1", False),
               *(Case((f"abs(ndc - {c}*sqrt(10000/pct_grr**2 - 1)) <= 0.5",), {},
                      f"{said}, rounded to a whole number", False) for c, said in roots), target="ndc", source=ISO),
        varied(38, "b", "ndc from PV and GRR", "E",
               *(Case((f"ndc == {c}*pv/grr",), {}, said) for c, said in roots),
               *(Case((f"ndc <= {c}*pv/grr", f"ndc >= {c}*pv/grr - 1"), {}, f"{said}, cut to a whole number")
                 for c, said in roots),
               Case(("ndc == 1", "1.41*pv <= grr"), {}, "at least 1", False),
               *(Case((f"abs(ndc - {c}*pv/grr) <= 0.5",), {}, f"{said}, rounded to a whole number", False)
                 for c, said in roots), target="ndc", source=ISO),
        exact(38, "c", "ICC beside %GRR: 1 - g^2", "V", "icc == 1 - pct_grr**2/10000", source=ISO),
        varied(39, "a", "percent of tolerance", "E",
               Case(("pct_tol*(usl - lsl) == 600*grr",), {"factor": "2"}, "6 GRR"),
               Case(("pct_tol*(usl - lsl) == 515*grr",), {}, "5.15 GRR", False), target="pct_tol", source=ISO),
        varied(39, "b", "percent of the tolerance width", "E",
               Case(("pct_tol*tolerance == 600*grr",), {"factor": "2"}, "6 GRR"),
               Case(("pct_tol*tolerance == 515*grr",), {}, "5.15 GRR", False), target="pct_tol", source=ISO),
        exact(39, "c", "tolerance is the difference of the limits", "E", "tolerance == usl - lsl"),
        Relation(40, "a", "Mandel h of all laboratories", "E", (), finder="mandel_h", source=MANDEL),
        Relation(40, "b", "Mandel k of all laboratories", "E", (), finder="mandel_k", source=MANDEL),
        Relation(41, "a", "combined uncertainty is the root of the sum of squares", "E", (), finder="combined",
                 source=GUM),
        exact(41, "b", "expanded uncertainty is the coverage factor times the combined one", "E",
              "u_expanded == coverage_factor*u_c", source=GUM),
        Relation(41, "c", "effective degrees of freedom by Welch and Satterthwaite", "E", (),
                 finder="effective_freedom", source=GUM),
        varied(41, "d", "coverage factor from the effective degrees of freedom", "V",
               Case(("coverage_factor == tq(coverage_factor__level, nu_eff)",), {"factor": "t"}, "t factor"),
               Case(("coverage_factor == 2",), {"factor": "2"}, "factor 2"),
               Case(("coverage_factor == zq(coverage_factor__level)",), {"factor": "1.96"}, "normal factor"),
               target="coverage_factor", source=GUM),
        varied(41, "e", "expanded uncertainty from the effective degrees of freedom", "V",
               Case(("u_expanded == u_c*tq(coverage_factor__level, nu_eff)",), {"factor": "t"}, "t factor"),
               Case(("u_expanded == 2*u_c",), {"factor": "2"}, "factor 2"), target="u_expanded", source=GUM),
    ]
    return made
