"""Relations 0 to 15: intraclass correlations, F ratios, degrees of freedom, intervals."""

from __future__ import annotations

from drift.reported.relation import Case, Relation, exact, varied

MW = "McGraw and Wong (1996), Psychological Methods 1:30-46"
SF = "Shrout and Fleiss (1979), Psychological Bulletin 86:420-428"
_ONE, _TWO = ("icc_1", "f_one", "icc_k"), ("icc_c1", "f_two", "icc_ck")
_WITHIN, _ERROR = "n*(k - 1)", "(n - 1)*(k - 1)"


def _g(x: str) -> str:
    """Ratio of mean squares that belongs to a single coefficient: (1 + (k - 1) x) / (1 - x), each written once."""
    return f"(k/(1 - {x}) - (k - 1))"


def _interval_relations() -> list[Relation]:
    made = []
    for letters, (single, f, mean), df in (("ab", _ONE, _WITHIN), ("cd", _TWO, _ERROR)):
        level = f"{single}__level"
        made += [
            exact(9, letters[0], "lower end of the interval from F", "N",
                  f"{_g(single + '__low')} == {f}/Fq({level}, n - 1, {df})", target=f"{single}__low", source=MW,
                  needs=("level", "method"), method="F"),
            exact(9, letters[1], "upper end of the interval from F", "N",
                  f"{_g(single + '__high')} == {f}*Fq({level}, {df}, n - 1)", target=f"{single}__high", source=MW,
                  needs=("level", "method"), method="F"),
            exact(9, {"a": "e", "c": "g"}[letters[0]], "lower end of the interval of the mean form from F", "N",
                  f"1/(1 - {mean}__low) == {f}/Fq({mean}__level, n - 1, {df})", target=f"{mean}__low", source=MW,
                  needs=("level", "method"), method="F"),
            exact(9, {"a": "f", "c": "h"}[letters[0]], "upper end of the interval of the mean form from F", "N",
                  f"1/(1 - {mean}__high) == {f}*Fq({mean}__level, {df}, n - 1)", target=f"{mean}__high", source=MW,
                  needs=("level", "method"), method="F"),
        ]
    for letters, single, df in (("abc", "icc_1", _WITHIN), ("def", "icc_c1", _ERROR)):
        level = f"{single}__level"
        made += [
            exact(10, letters[0], "width of the interval against its level", "N",
                  f"{_g(single + '__high')} == {_g(single + '__low')}*Fq({level}, n - 1, {df})"
                  f"*Fq({level}, {df}, n - 1)",
                  target=f"{single}__high", source=MW, needs=("level", "method"), method="F"),
            exact(10, letters[1], "coefficient against the lower end of its interval", "N",
                  f"{_g(single)} == {_g(single + '__low')}*Fq({level}, n - 1, {df})", target=f"{single}__low",
                  source=MW, needs=("level", "method"), method="F"),
            exact(10, letters[2], "coefficient against the upper end of its interval", "N",
                  f"{_g(single + '__high')} == {_g(single)}*Fq({level}, {df}, n - 1)", target=f"{single}__high",
                  source=MW, needs=("level", "method"), method="F"),
        ]
    x, level = "icc", "icc__level"
    for part, name, target, text in (
            ("g", "width of the interval against its level", "icc__high",
             f"{_g(x + '__high')} == {_g(x + '__low')}*Fq({level}, n - 1, {{df}})*Fq({level}, {{df}}, n - 1)"),
            ("h", "coefficient against the lower end of its interval", "icc__low",
             f"{_g(x)} == {_g(x + '__low')}*Fq({level}, n - 1, {{df}})"),
            ("i", "coefficient against the upper end of its interval", "icc__high",
             f"{_g(x + '__high')} == {_g(x)}*Fq({level}, {{df}}, n - 1)")):
        made.append(varied(10, part, name, "N",
                           Case((text.format(df=_ERROR),), {"method": "F", "kind": "consistency"}, "two-way"),
                           Case((text.format(df=_WITHIN),), {"method": "F", "kind": "one-way"}, "one-way"),
                           target=target, source=MW, needs=("level", "method", "kind")))
    return made


def _cut(equation: str) -> Case:
    """Return what is left of agreement where a program cuts a negative component of raters off at zero."""
    return Case((equation, "f_raters <= 1"), {}, "a negative component of raters cut off at zero", usual=False)


def _forms() -> list[Relation]:
    step = "{m} * (1 + (k - 1)*{s}) == k*{s}"
    made = [
        exact(1, "a", "ICC(1) from the one-way F", "B", "icc_1 == 1 - k/(f_one + k - 1)", source=SF),
        exact(1, "b", "ICC(C,1) from the two-way F", "B", "icc_c1 == 1 - k/(f_two + k - 1)", source=SF),
        exact(2, "a", "ICC(k) from the one-way F", "B", "icc_k == 1 - 1/f_one", source=SF),
        exact(2, "b", "ICC(C,k) from the two-way F", "B", "icc_ck == 1 - 1/f_two", source=SF),
        varied(3, "a", "ICC(A,1) from the two F ratios", "B",
               Case(("icc_a1 == (f_two - 1)/(f_two + k - 1 + k*(f_raters - 1)/n)",)),
               _cut("icc_a1 == 1 - k/(f_two + k - 1)"), target="icc_a1", source=MW),
        varied(3, "b", "ICC(A,k) from the two F ratios", "B",
               Case(("icc_ak == (f_two - 1)/(f_two + (f_raters - 1)/n)",)), _cut("icc_ak == 1 - 1/f_two"),
               target="icc_ak", source=MW),
        varied(3, "c", "agreement, consistency and the F of raters", "B",
               Case(("icc_a1*(n*(f_two - 1) + k*(f_raters - 1)*icc_c1) == icc_c1*n*(f_two - 1)",)),
               _cut("icc_a1 == icc_c1"), target="icc_a1", source=MW),
        exact(4, "", "one-way F from the two-way ones", "B", "f_one == n*f_two/(f_raters + n - 1)", source=SF),
    ]
    for part, one_way, a, c in (("a", "icc_1", "icc_a1", "icc_c1"), ("b", "icc_k", "icc_ak", "icc_ck")):
        made.append(varied(
            5, part, "agreement lies between the one-way form and consistency", "B",
            Case((f"{one_way} <= {a}", f"{a} <= {c}", f"{c} >= 0"), said="F of raters at least 1"),
            Case((f"{a} <= {one_way}", f"{c} <= {a}", f"{c} >= 0"), said="F of raters below 1"),
            Case((f"{c} <= 0",), said="consistency not positive"), target=a, source=MW))
        made.append(varied(
            5, {"a": "c", "b": "d"}[part], "order of agreement and consistency against the F of raters", "B",
            Case((f"{a} <= {c}", "f_raters >= 1")), Case((f"{a} >= {c}", "f_raters <= 1")), Case((f"{c} <= 0",)),
            target=a, source=MW))
    sb = "Spearman (1910), Brown (1910), British Journal of Psychology 3"
    pairs = (("a", "icc_1", "icc_k"), ("b", "icc_c1", "icc_ck"), ("c", "icc_a1", "icc_ak"))
    made += [exact(6, p, "coefficient of the mean from that of a single reading", "E", step.format(s=s, m=m),
                   target=m, source=sb) for p, s, m in pairs]
    for part, single, mean in (*pairs[:2], ("c", "icc_a1", "icc_ak")):
        kind = "V" if part == "c" else "E"
        made += [exact(6, f"{part}{end[0]}", f"{end}er end of the mean form from that of the single form", kind,  # type: ignore[arg-type]
                       step.format(s=f"{single}__{end}", m=f"{mean}__{end}"), f"{single}__level == {mean}__level",
                       target=f"{mean}__{end}", source=sb) for end in ("low", "high")]
    forms = [Case((f"icc_m * (1 + (m - 1)*{s}) == m*{s}",), {"kind": w}, said)
             for s, w, said in (("icc_c1", "consistency", "of ICC(C,1)"), ("icc_a1", "agreement", "of ICC(A,1)"),
                                ("icc_1", "one-way", "of ICC(1)"))]
    made += [varied(6, "m", "coefficient of the mean of m from that of a single reading", "E", *forms, target="icc_m",
                    source=sb, needs=("kind",), partial=True),
             exact(6, "p", "coefficient of the mean of m from that of a single reading", "E",
                   "icc_m * (1 + (m - 1)*icc) == m*icc", target="icc_m", source=sb)]
    return made


def _alpha_and_bounds() -> list[Relation]:
    feldt = "Feldt (1965), Psychometrika 30:357-370"
    return [
        exact(7, "a", "alpha is ICC(C,k)", "E", "alpha == icc_ck", source=feldt),
        exact(7, "b", "alpha from ICC(C,1)", "E", "alpha * (1 + (k - 1)*icc_c1) == k*icc_c1", target="alpha",
              source=feldt),
        exact(7, "c", "lower end of alpha is that of ICC(C,k)", "E", "alpha__low == icc_ck__low",
              "alpha__level == icc_ck__level", source=feldt, needs=("method",)),
        exact(7, "d", "upper end of alpha is that of ICC(C,k)", "E", "alpha__high == icc_ck__high",
              "alpha__level == icc_ck__level", source=feldt, needs=("method",)),
        exact(8, "a", "ICC(1) is at least -1/(k - 1)", "I", "icc_1 >= -1/(k - 1)", target="icc_1"),
        exact(8, "b", "ICC(C,1) is at least -1/(k - 1)", "I", "icc_c1 >= -1/(k - 1)", target="icc_c1"),
        exact(8, "c", "ICC(A,1) is at least -1/(k - 1 - k/n)", "I", "icc_a1*(k - 1 - k/n) >= -1", target="icc_a1"),
        exact(8, "d", "ICC(1) is at most 1", "I", "icc_1 <= 1"),
        exact(8, "e", "ICC(C,1) is at most 1", "I", "icc_c1 <= 1"),
        exact(8, "f", "ICC(A,1) is at most 1", "I", "icc_a1 <= 1"),
        exact(8, "g", "ICC(k) is at most 1", "I", "icc_k <= 1"),
        exact(8, "h", "ICC(C,k) is at most 1", "I", "icc_ck <= 1"),
        exact(8, "i", "an ICC is at most 1", "I", "icc <= 1"),
        Relation(8, "j", "a mixed model gives no negative coefficient", "I", (), finder="negative_by_reml"),
    ]


def _other_intervals() -> list[Relation]:
    made = [Relation(11, "", "interval of ICC(A,1), by F with Satterthwaite degrees of freedom", "A", (),
                     target="icc_a1__low", source=MW, finder="agreement_interval")]
    z = "(0.5*log({g}))"
    for part, x in (("a", "icc"), ("b", "icc_1"), ("c", "icc_c1"), ("d", "icc_a1")):
        low, mid, high = (z.format(g=_g(x + end)) for end in ("__low", "", "__high"))
        made.append(exact(12, part, "Fisher-type interval: symmetric about the coefficient on the z scale", "A",
                          f"{low} + {high} == 2*{mid}", target=f"{x}__high", method="Fisher z",
                          source="Fisher (1925), Statistical Methods for Research Workers, section 39"))
        made.append(exact(12, part + "w", "Fisher-type interval: width on the z scale", "A",
                          f"{high} - {low} == 2*zq({x}__level)*sqrt(k/(2*(k - 1)*(n - 2)))", target=f"{x}__high",
                          method="Fisher z",
                          source="Fisher (1925), Statistical Methods for Research Workers, section 39"))
    return made


def _tables() -> list[Relation]:
    anova = "Searle, Casella and McCulloch (1992), Variance Components, chapter 4"
    made = [
        exact(13, "a", "p of the two-way F", "E", "p_f == pF(f_two, n - 1, (n - 1)*(k - 1))", source=anova,
              unless=("f_one",), printed=("f_two", "p_f")),
        exact(13, "b", "p of the one-way F", "E", "p_f == pF(f_one, n - 1, n*(k - 1))", source=anova,
              unless=("f_two",), printed=("f_one", "p_f")),
        # Programs correct the degrees of freedom of three and more measurements for sphericity, and not the F.
        exact(13, "c", "p of the F of raters, without a correction for sphericity", "V",
              "p_raters == pF(f_raters, k - 1, (n - 1)*(k - 1))", source=anova),
        exact(13, "c2", "p of the F of two raters", "E", "p_raters == pF(f_raters, 1, n - 1)", source=anova,
              when_two=True),
        exact(13, "d", "degrees of freedom of units and n", "E", "df_units == n - 1", source=anova),
        exact(13, "e", "degrees of freedom of raters and k", "E", "df_raters == k - 1", source=anova),
        exact(13, "f", "degrees of freedom of error (two-way)", "B", "df_error == (n - 1)*(k - 1)", source=anova),
        exact(13, "g", "degrees of freedom within (one-way)", "B", "df_within == n*(k - 1)", source=anova),
        exact(13, "h", "p of the F by its own degrees of freedom (two-way)", "E",
              "p_f == pF(f_two, df_units, df_error)", source=anova, unless=("f_one",), printed=("f_two", "p_f")),
        exact(13, "i", "p of the F by its own degrees of freedom (one-way)", "E",
              "p_f == pF(f_one, df_units, df_within)", source=anova, unless=("f_two",), printed=("f_one", "p_f")),
        exact(13, "j", "p of the F of raters by its own degrees of freedom", "V",
              "p_raters == pF(f_raters, df_raters, df_error)", source=anova),
        exact(14, "a", "sums of squares add up (two-way)", "B", "ss_total == ss_units + ss_raters + ss_error",
              source=anova),
        exact(14, "b", "sums of squares add up (one-way)", "E", "ss_total == ss_units + ss_within", source=anova),
        exact(14, "c", "within is raters and error", "B", "ss_within == ss_raters + ss_error", source=anova),
        exact(14, "d", "degrees of freedom add up", "E", "df_total == df_units + df_raters + df_error", source=anova),
        exact(14, "e", "degrees of freedom add up (one-way)", "E", "df_total == df_units + df_within", source=anova),
        exact(14, "f", "total degrees of freedom are nk - 1", "B", "df_total == n*k - 1", source=anova),
    ]
    for part, x in zip("ghij", ("units", "within", "raters", "error"), strict=True):
        made.append(exact(14, part, "mean square is sum of squares over degrees of freedom", "E",
                          f"ms_{x} == ss_{x}/df_{x}", source=anova))
    made += [
        exact(14, "k", "two-way F is a ratio of mean squares", "E", "f_two == ms_units/ms_error", source=anova),
        exact(14, "l", "one-way F is a ratio of mean squares", "E", "f_one == ms_units/ms_within", source=anova),
        exact(14, "m", "F of raters is a ratio of mean squares", "E", "f_raters == ms_raters/ms_error", source=anova),
        exact(14, "n", "component of units", "B", "var_units == (ms_units - ms_error)/k", source=anova),
        exact(14, "o", "component of raters", "B", "var_raters == (ms_raters - ms_error)/n", source=anova),
        exact(14, "p", "component of error", "B", "var_error == ms_error", source=anova),
        exact(14, "q", "shares add to 1", "E", "share_units + share_raters + share_error == 1", target="share_error",
              source=anova),
        # A component cut off at zero leaves the shares of the others, no longer the coefficient.
        varied(14, "r", "share of units is ICC(A,1)", "B", Case(("icc_a1 == share_units",)),
               Case(("share_raters <= 0",)), Case(("share_units <= 0",)), target="icc_a1", source=MW),
        varied(14, "s", "ICC(C,1) from the shares", "B", Case(("icc_c1*(share_units + share_error) == share_units",)),
               Case(("share_units <= 0",)), target="icc_c1", source=MW),
        varied(14, "t", "ICC(A,1) from the components", "B",
               Case(("icc_a1*(var_units + var_raters + var_error) == var_units",)),
               Case(("icc_a1*(var_units + var_error) == var_units", "var_raters <= 0"), {},
                    "a negative component of raters cut off at zero", usual=False), target="icc_a1", source=MW),
        exact(14, "u", "ICC(C,1) from the components", "B", "icc_c1*(var_units + var_error) == var_units",
              target="icc_c1", source=MW),
        varied(14, "v", "the F printed without its table", "V",
               Case(("f == f_one",), {"kind": "one-way"}, "the one-way F"),
               Case(("f == f_two",), {"kind": "consistency"}, "the two-way F"), target="f"),
        varied(14, "w", "coefficient beside an F of unstated kind", "V",
               Case(("icc == 1 - k/(f + k - 1)",), {"average": "single"}, "single form"),
               Case(("icc == 1 - 1/f",), {"average": "mean of k"}, "form of the mean of k", usual=False),
               target="icc", source=SF),
        varied(14, "x", "coefficients beside an F of unstated kind", "V",
               Case(("icc_c1 == 1 - k/(f + k - 1)",), {}, "ICC(C,1), the two-way F"),
               Case(("icc_ck == 1 - 1/f",), {}, "ICC(C,k), the two-way F"),
               Case(("icc_1 == 1 - k/(f + k - 1)",), {}, "ICC(1), the one-way F"),
               Case(("icc_k == 1 - 1/f",), {}, "ICC(k), the one-way F"), target="f", source=SF, partial=True),
        Relation(15, "", "word for the coefficient, by its point and by its interval", "V", (), finder="grade_words",
                 source="Koo and Li (2016), Journal of Chiropractic Medicine 15:155-163"),
    ]
    return made


def relations() -> list[Relation]:
    """Return the relations of this family."""
    return [*_forms(), *_alpha_and_bounds(), *_interval_relations(), *_other_intervals(), *_tables()]
