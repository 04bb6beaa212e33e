"""Relations 24 to 32: Bland-Altman and paired data."""

from __future__ import annotations

from drift.reported.relation import Case, Relation, exact, p_of_t, varied

BA86 = "Bland and Altman (1986), Lancet i:307-310"
BA99 = "Bland and Altman (1999), Statistical Methods in Medical Research 8:135-160"
DIVISOR = "sqrt(n/(n - 1))"


def _limits() -> list[Relation]:
    factors = (("1.96", "zq({level})", "1.96 SD", True), ("2", "2", "2 SD", True), ("t", "tq({level}, n - 1)", "t SD",
                                                                                    True),
               ("t prediction", "tq({level}, n - 1)*sqrt(1 + 1/n)", "t SD sqrt(1 + 1/n)", True))
    made: list[Relation] = []

    def cases(left: str, right: str) -> tuple[Case, ...]:
        level = "loa__level"
        found = []
        for word, factor, said, usual in factors:
            c = factor.format(level=level)
            found.append(Case((f"{left} == {right.format(c=c)}",), {"factor": word, "divisor": "n-1"}, said, usual,
                              extra="t" in word))
        for word, factor, said, _ in factors[:2]:
            c = factor.format(level=level)
            # The printed SD has divisor n and the limits are made of the one with n - 1, or the other way round.
            found += [Case((f"{left} == {right.format(c=f'{c}*{DIVISOR}')}",), {"factor": word, "divisor": "n"},
                           f"{said}, printed SD with divisor n and limits with n - 1", False, True),
                      Case((f"{left}*{DIVISOR} == {right.format(c=c)}",), {"factor": word, "divisor": "n"},
                           f"{said}, printed SD with divisor n - 1 and limits with n", False, True)]
        return tuple(found)

    made += [
        varied(24, "a", "bias is the difference of the means", "E", Case(("bias == mean_1 - mean_2",)),
               Case(("bias == mean_2 - mean_1",), {}, "second less first", False), target="bias", source=BA86),
        exact(24, "b", "bias is the middle of the limits", "E", "loa_high + loa_low == 2*bias", target="bias",
              source=BA86),
        Relation(24, "c", "width of the limits is twice the factor times the SD of differences", "E",
                 cases("loa_high - loa_low", "2*{c}*sd_diff"), "sd_diff", ("factor", "divisor"), BA86),
        Relation(24, "d", "lower limit is bias less the factor times the SD of differences", "E",
                 cases("bias - loa_low", "{c}*sd_diff"), "loa_low", ("factor", "divisor"), BA86),
        Relation(24, "e", "upper limit is bias and the factor times the SD of differences", "E",
                 cases("loa_high - bias", "{c}*sd_diff"), "loa_high", ("factor", "divisor"), BA86),
    ]
    return made


def _over_root(error: str, sd: str) -> tuple[Case, ...]:
    """Return the ways to a standard error of a mean."""
    return (Case((f"{error} == {sd}/sqrt(n)",), {"divisor": "n-1"}),
            Case((f"{error} == {sd}/sqrt(n - 1)",), {"divisor": "n"}, "an SD with divisor n", usual=False, extra=True))


def _differences() -> list[Relation]:
    r_mean = "r_mean*sqrt((sd_1**2 + sd_2**2)**2 - 4*r**2*sd_1**2*sd_2**2)"
    slope = "slope_mean*(sd_1**2 + sd_2**2 + 2*r*sd_1*sd_2) == 2*(sd_1**2 - sd_2**2)"
    made = [
        exact(25, "a", "SD of differences from the two SDs and r", "E",
              "sd_diff**2 == sd_1**2 + sd_2**2 - 2*r*sd_1*sd_2", target="sd_diff", source=BA86),
        exact(25, "b", "SD of differences is at most the sum of the SDs", "I", "sd_diff <= sd_1 + sd_2", source=BA86),
        exact(25, "c", "SD of differences is at least the difference of the SDs", "I", "sd_diff >= abs(sd_1 - sd_2)",
              source=BA86),
        exact(26, "a", "interval of the bias is symmetric", "E", "bias__low + bias__high == 2*bias",
              target="bias__high",
              needs=("method",), source=BA86, method="t"),
        varied(26, "b", "width of the interval of the bias", "N",
               Case(("bias__high - bias__low == 2*tq(bias__level, n - 1)*sd_diff/sqrt(n)",), {"method": "t"}),
               Case(("bias__high - bias__low == 2*tq(bias__level, n - 1)*sd_diff/sqrt(n - 1)",),
                    {"method": "t", "divisor": "n"}, "an SD with divisor n", usual=False),
               Case(("bias__high - bias__low == 2*zq(bias__level)*sd_diff/sqrt(n)",), {"method": "approximate"},
                    "a normal factor in place of t", usual=False), target="sd_diff", needs=("level", "method"),
               source=BA86),
        varied(26, "c", "t of the bias", "E", Case(("t_bias*sd_diff == bias*sqrt(n)",)),
               Case(("0 - t_bias*sd_diff == bias*sqrt(n)",), {}, "t without its sign, or second less first"),
               Case(("abs(t_bias)*sd_diff == abs(bias)*sqrt(n - 1)",), {"divisor": "n"}, "an SD with divisor n",
                    usual=False), target="t_bias", source=BA86),
        p_of_t(26, "d", "p of the bias", "p_bias", "bias*sqrt(n)/sd_diff", "n - 1", BA86),
        p_of_t(26, "e", "p of the bias from its t", "p_bias", "t_bias", "n - 1", BA86),
        p_of_t(26, "k", "p of the bias against its interval", "p_bias",
                "2*bias*tq(bias__level, n - 1)/(bias__high - bias__low)", "n - 1", BA86, method="t"),
        varied(26, "l", "width of the interval of the bias against the width of the limits", "N",
               *(Case((f"(bias__high - bias__low)*sqrt(n)*{c} == (loa_high - loa_low)*tq(bias__level, n - 1)",),
                      {"method": "t", "factor": word}, f"limits at {said}")
                 for c, word, said in (("zq(loa__level)", "1.96", "1.96 SD"), ("2", "2", "2 SD"))),
               Case(("(bias__high - bias__low)*sqrt(n) == loa_high - loa_low",), {"method": "t", "factor": "t"},
                    "limits at t SD"),
               target="bias__high", needs=("level", "method", "factor"), source=BA86, unless=("sd_diff",)),
        varied(26, "f", "standard error of the bias", "E", *_over_root("se_bias", "sd_diff"), target="se_bias",
               source=BA86),
        exact(26, "g", "width of the interval of the bias from its standard error", "N",
              "bias__high - bias__low == 2*tq(bias__level, n - 1)*se_bias", target="se_bias",
              needs=("level", "method"), source=BA86, method="t"),
        varied(26, "h", "standard error of the mean is SD over the root of n", "E",
               *_over_root("se", "sd"),
               Case(("se == sd/sqrt(n*k)",), {}, "the root of all readings", False, True),
               Case(("se == sd/sqrt(n_readings)",), {}, "the root of all readings", False, True), target="se",
               source=BA86),
        *(exact(26, part, "a standard error of a mean is at most its SD", "I", f"{se} <= {sd}")
          for part, se, sd in (("m", "se", "sd"), ("n", "se_1", "sd_1"), ("o", "se_2", "sd_2"),
                               ("p", "se_bias", "sd_diff"))),
        varied(26, "i", "standard error of mean 1", "E", *_over_root("se_1", "sd_1"), target="se_1"),
        varied(26, "j", "standard error of mean 2", "E", *_over_root("se_2", "sd_2"), target="se_2"),
    ]
    for limit, letters in (("loa_low", "ab"), ("loa_high", "cd")):
        level = f"{limit}__level"
        wide = f"{limit}__high - {limit}__low == 2*tq({level}, n - 1)*sd_diff*"
        made += [
            varied(27, letters[0], "width of the interval of a limit", "V",
                   Case((f"{wide}sqrt(3/n)",), {"method": "approximate"}, "root of 3/n"),
                   Case((f"{wide}1.71/sqrt(n)",), {"method": "approximate"}, "1.71 over the root of n"),
                   Case((f"{wide}sqrt(1/n + 1.96**2/(2*(n - 1)))",), {"method": "approximate"},
                        "root of 1/n + c^2/(2(n - 1))"), target=f"{limit}__high", source=BA99),
            exact(27, letters[1], "approximate interval of a limit is symmetric", "V",
                  f"{limit}__low + {limit}__high == 2*{limit}", target=f"{limit}__high", source=BA99),
        ]
    made += [
        exact(27, "e", "standard error of a limit", "V", "se_loa == sd_diff*sqrt(3/n)", source=BA86),
        varied(28, "a", "slope of the difference on the mean", "E", Case((slope,)),
               Case((f"0 - {slope}",), {}, "second less first", False), target="slope_mean", source=BA99),
        varied(28, "b", "correlation of the difference with the mean", "E", Case((f"{r_mean} == sd_1**2 - sd_2**2",)),
               Case((f"{r_mean} == sd_2**2 - sd_1**2",), {}, "second less first", False), target="r_mean",
               source=BA99),
        p_of_t(28, "c", "p of the slope on the mean from its correlation", "p_slope_mean",
                "r_mean*sqrt(n - 2)/sqrt(1 - r_mean**2)", "n - 2", BA99),
        p_of_t(28, "d", "p of the slope on the mean from the SDs and r", "p_slope_mean",
                "(sd_1**2 - sd_2**2)*sqrt(n - 2)/(2*sd_1*sd_2*sqrt(1 - r**2))", "n - 2", BA99),
    ]
    return made


def _points() -> list[Relation]:
    return [
        Relation(29, "a", "share outside times n is a whole number", "E", (), finder="share_outside_whole"),
        varied(29, "b", "points outside are n times their share", "E",
               Case(("outside == outside_share*n",)), Case(("outside == outside_share*n_pairs",), {}, "of all pairs"),
               Case(("outside == outside_share*n_readings",), {}, "of all readings"),
               Case(("outside == outside_share*n*k",), {}, "of n x k points", usual=False), target="outside_share",
               partial=True),
        Relation(29, "c", "how many points can lie outside 1.96 SD", "I", (), finder="most_outside"),
        exact(30, "a", "back-transformed limits multiply to the square of the mean ratio", "E",
              "ratio_high*ratio_low == ratio**2", target="ratio_high", source=BA99),
        *(varied(30, part, f"{name} is the exponential of the {of}", "E", Case((f"{ratio} == exp({log})",)),
                 Case((f"{ratio} == exp(2.302585092994046*{log})",), {}, "logarithms to base 10", False), target=ratio,
                 source=BA99)
          for part, name, of, ratio, log in (("b", "mean ratio", "mean log difference", "ratio", "log_bias"),
                                             ("c", "lower ratio", "lower limit of logs", "ratio_low", "log_low"),
                                             ("d", "upper ratio", "upper limit of logs", "ratio_high", "log_high"))),
        exact(30, "e", "mean log difference is the middle of the limits of logs", "E",
              "log_low + log_high == 2*log_bias", target="log_bias", source=BA99),
        exact(30, "f", "lower percent limit against the lower ratio", "V", "percent_low == 100*(ratio_low - 1)",
              source=BA99),
        exact(30, "g", "upper percent limit against the upper ratio", "V", "percent_high == 100*(ratio_high - 1)",
              source=BA99),
        varied(31, "a", "range of differences bounds their SD from below", "I",
               Case(("sd_diff*sqrt(2*(n - 1)) >= diff_max - diff_min",), {"divisor": "n-1"}, "divisor n - 1"),
               Case(("sd_diff*sqrt(2*n) >= diff_max - diff_min",), {"divisor": "n"}, "divisor n", False),
               target="sd_diff"),
        exact(31, "b", "range of differences bounds their SD from above", "I",
              "sd_diff <= (diff_max - diff_min)/2*sqrt(n/(n - 1))"),
        exact(31, "c", "bias lies within the range of differences", "I", "bias >= diff_min", "bias <= diff_max"),
        Relation(31, "d", "interval of the bias lies within the limits", "I", (), finder="bias_interval_inside"),
        Relation(32, "a", "interval of the bias against readings treated as independent", "N", (),
                 finder="independence", source="Bland and Altman (2007), J Biopharm Stat 17:571-582"),
        Relation(32, "b", "interval of a limit against the interval of the bias by unit", "N", (),
                 finder="limit_against_bias", source="Bland and Altman (2007), J Biopharm Stat 17:571-582"),
    ]


def relations() -> list[Relation]:
    """Return the relations of this family."""
    return [*_limits(), *_differences(), *_points()]
