"""Relations 16 to 23: SEM, MDC, repeatability, coefficients of variation."""

from __future__ import annotations

from drift.reported.relation import Case, Relation, exact, varied

WEIR = "Weir (2005), Journal of Strength and Conditioning Research 19:231-240"
ISO = "ISO 5725-6:1994"


def _factor_cases(left: str, right: str, level: str, df: str) -> tuple[Case, ...]:
    """Return the ways an MDC is made of an SEM; ``{c}`` in ``right`` is the factor."""
    return (Case((f"{left} == {right.format(c=f'zq({level})')}",), {"factor": "1.96"}, "normal factor"),
            Case((f"{left}*sqrt(2) == {right.format(c='2.77')}",), {"factor": "1.96"}, "factor 2.77"),
            Case((f"{left} == {right.format(c='2')}",), {"factor": "2"}, "factor 2"),
            Case((f"{left}*sqrt(2) == {right.format(c=f'1.41*zq({level})')}",), {"factor": "1.96"}, "the root of 2 as "
                 "1.41", False),
            *(Case((f"{left} == {right.format(c=f'tq({level}, {d})')}",), {"factor": "t"}, "t factor", extra=True)
              for d in dict.fromkeys((df, "n - 1", "(n - 1)*(k - 1)", "n*(k - 1)"))),
            Case((f"{left}*sqrt(2) == {right.format(c=f'zq({level})')}",), {}, "the factor without the root of 2",
                 False),
            Case((f"{left}*sqrt(n) == {right.format(c=f'zq({level})')}",), {}, "the MDC of a group mean, over the root "
                 "of n", False, True))


def _plain_factors(mdc: str, sem: str, said: str) -> tuple[Case, ...]:
    """Return the common ways from an SEM to an MDC, the kind of the SEM in words."""
    of = f" of SEM ({said})" if said else ""
    return tuple(Case((f"{mdc} == {factor}*{sem}",), {"factor": word} if word else {}, f"{words}{of}", usual)
                 for factor, word, words, usual in (
                     (f"zq({mdc}__level)*sqrt(2)", "1.96", "normal factor", True),
                     ("2*sqrt(2)", "2", "factor 2", True),
                     (f"zq({mdc}__level)", "", "the factor without the root of 2", False)))


def _plain(sem: str, icc: str) -> Case:
    """Return the formula that many papers use, which is off by some per cent with the SD of all readings."""
    return Case((f"{sem} == sd_all*sqrt(1 - {icc})",), {}, "the plain formula SD sqrt(1 - ICC) with the SD of all "
                "readings", usual=False, extra=True)


FORMS = (("icc", "the ICC"), ("icc_a1", "ICC(A,1)"), ("icc_c1", "ICC(C,1)"), ("icc_1", "ICC(1)"))
SPREADS = (("sd", "the printed SD"), ("sd_all", "the SD of all readings"), ("sd_columns", "the SD within columns"),
           ("sqrt((sd_1**2 + sd_2**2)/2)", "the two SDs pooled"))


def _unstated() -> tuple[Case, ...]:
    """Return the ways to an SEM whose kind a paper does not say: usual ones, then slips that are often made."""
    usual = [Case((f"sem == {sd}*sqrt(1 - {icc})",), {}, f"{said} and {of}") for icc, said in FORMS
             for sd, of in SPREADS]
    usual += [Case((f"sem == sqrt({ms})",), {}, said) for ms, said in
              (("ms_error", "the root of MS error"), ("ms_within", "the root of MS within"))]
    usual += [Case(("sem*sqrt(2) == sd_diff", "k == 2"), {}, "the SD of differences over the root of 2"),
              Case(("loa_high - loa_low == 2*sqrt(2)*zq(loa__level)*sem", "k == 2"), {},
                   "the width of the limits of agreement")]
    other = [Case((f"sem == {sd}*sqrt(1 - {icc})",), {}, f"{said} and the SD of the {which} alone", usual=False)
             for sd, which in (("sd_1", "first"), ("sd_2", "second")) for icc, said in FORMS]
    other += [Case((f"sem == {sd}*(1 - {icc})",), {}, f"SD (1 - ICC) with {said}, without the root", usual=False)
              for sd in ("sd", "sd_all", "sd_1", "sd_2") for icc, said in FORMS]
    other += [Case((f"sem == {sd}/sqrt(n)",), {}, "a standard error of a mean, SD over the root of n", usual=False)
              for sd in ("sd", "sd_all", "sd_1", "sd_2")]
    return tuple(usual + other)


def _sem() -> list[Relation]:
    plain_c, plain_a, plain_1 = _plain("sem_c", "icc_c1"), _plain("sem_a", "icc_a1"), _plain("sem_1", "icc_1")
    wide = "sd_all*sqrt((n*k - 1)/((n - 1)*f_two + (k - 1)*f_raters + (n - 1)*(k - 1)))"
    return [
        varied(16, "a", "SEM (consistency) is the root of MS error", "B", Case(("sem_c == sqrt(ms_error)",)), plain_c,
               target="sem_c", source=WEIR),
        varied(16, "b", "SEM (consistency) from the SD within columns", "B",
               Case(("sem_c == sd_columns*sqrt(1 - icc_c1)",)), plain_c, target="sem_c", source=WEIR),
        varied(16, "c", "SEM (agreement) from raters and error", "B",
               Case(("sem_a == sqrt(var_raters + ms_error)",)),
               # A negative component of raters is cut off at zero by most programs.
               Case(("sem_a == sqrt(ms_error)", "var_raters <= 0")), plain_a, target="sem_a", source=WEIR),
        varied(16, "d", "SEM (agreement) from the components", "B",
               Case(("sem_a == sqrt(var_units + var_raters + var_error)*sqrt(1 - icc_a1)",)),
               Case(("sem_a == sqrt(var_error)", "var_raters <= 0")), plain_a, target="sem_a", source=WEIR),
        varied(16, "e", "SEM (agreement) from the mean squares", "B",
               Case(("sem_a == sqrt(ms_error + (ms_raters - ms_error)/n)",)),
               Case(("sem_a == sqrt(ms_error)", "ms_raters <= ms_error")), plain_a, target="sem_a", source=WEIR),
        varied(16, "f", "SEM (one-way) is the root of MS within", "B", Case(("sem_1 == sqrt(ms_within)",)), plain_1,
               target="sem_1", source=WEIR),
        varied(16, "g", "SEM (agreement) against SEM (consistency) and the F of raters", "B",
               Case(("sem_a == sem_c*sqrt(1 + (f_raters - 1)/n)",)), Case(("sem_a == sem_c", "f_raters <= 1")),
               plain_a, plain_c, target="sem_a", source=WEIR),
        varied(17, "a", "SEM (one-way) from the SD of all readings", "B",
               Case(("sem_1 == sd_all*sqrt((1 - icc_1)*(n*k - 1)/(n*k - 1 - (k - 1)*icc_1))",)), plain_1,
               target="sem_1", source=WEIR),
        varied(17, "b", "SEM (consistency) from the SD of all readings", "B", Case((f"sem_c == {wide}",)), plain_c,
               target="sem_c", source=WEIR),
        exact(17, "c", "SEM (consistency) has a bound by the SD of all readings", "I",
              "sem_c <= sd_all*sqrt((n*k - 1)/((n - 1)*(k - 1)))", source=WEIR),
        # Which coefficient and which SD an SEM of unstated kind belongs to is open; each that is printed is tried.
        *(varied(17, part, f"{name} = SD sqrt(1 - ICC)", "V",
                 *(_unstated() if sem == "sem" else ()),
                 *(Case((f"{sem} == sd*sqrt(1 - {icc})",), {}, f"{said} and the printed SD") for icc, said in singles
                   if sem != "sem"),
                 *(Case((f"{sem} == sd*sqrt(1 - {icc})*sqrt(n/(n - 1))",), {"divisor": "n"},
                        f"{said} and an SD with divisor n", usual=False) for icc, said in singles),
                 *(Case((f"{sem} == sd*sqrt(1 - {icc})",), {}, f"{said}, the form of a mean", usual=False)
                   for icc, said in means), target=sem, source=WEIR, partial=True)
          for part, name, sem, singles, means in (
              ("d", "SEM", "sem", FORMS,
               (("icc_ak", "ICC(A,k)"), ("icc_ck", "ICC(C,k)"), ("icc_k", "ICC(k)"))),
              ("e", "SEM (consistency)", "sem_c", (("icc_c1", "ICC(C,1)"),), (("icc_ck", "ICC(C,k)"),)),
              ("f", "SEM (agreement)", "sem_a", (("icc_a1", "ICC(A,1)"),), (("icc_ak", "ICC(A,k)"),)),
              ("g", "SEM (one-way)", "sem_1", (("icc_1", "ICC(1)"),), (("icc_k", "ICC(k)"),)))),
        *(exact(17, part, f"{name} = SD of all readings x sqrt(1 - ICC), nearly", "A",
                f"{sem} == sd_all*sqrt(1 - {icc})", source=WEIR)
          for part, name, sem, icc in (("h", "SEM (consistency)", "sem_c", "icc_c1"),
                                       ("i", "SEM (agreement)", "sem_a", "icc_a1"))),
        varied(17, "j", "SEM of unstated kind beside one of stated kind", "V",
               Case(("sem == sem_c",), {"kind": "consistency"}, "consistency"),
               Case(("sem == sem_a",), {"kind": "agreement"}, "agreement"),
               Case(("sem == sem_1",), {"kind": "one-way"}, "one-way"), target="sem", partial=True),
    ]


def _mdc() -> list[Relation]:
    made: list[Relation] = []
    for part, mdc, sem, df in (("a", "mdc", "sem", "n - 1"), ("b", "mdc_c", "sem_c", "(n - 1)*(k - 1)"),
                               ("c", "mdc_a", "sem_a", "(n - 1)*(k - 1)"), ("d", "mdc_1", "sem_1", "n*(k - 1)")):
        made.append(Relation(18, part, "MDC is a factor times the root of 2 times SEM", "E",
                             _factor_cases(mdc, f"{{c}}*sqrt(2)*{sem}", f"{mdc}__level", df), mdc, ("level",), WEIR))
    made.append(Relation(18, "e", "MDC of the mean of m readings", "E",
                         _factor_cases("mdc_m", "{c}*sqrt(2)*sem/sqrt(m)", "mdc_m__level", "n - 1"), "mdc_m",
                         ("level",), WEIR))
    # An MDC or an SEM of unstated kind beside the other of a stated one: either kind may be meant.
    made.append(varied(18, "g", "MDC of unstated kind beside an SEM of stated kind", "V", *(
        c for sem, said in (("sem_c", "consistency"), ("sem_a", "agreement"), ("sem_1", "one-way"))
        for c in _plain_factors("mdc", sem, said)), target="mdc", source=WEIR, partial=True, unless=("sem",)))
    made += [varied(18, part, "MDC of stated kind beside an SEM of unstated kind", "V", *_plain_factors(mdc, "sem", ""),
                    target=mdc, source=WEIR, unless=(mdc.replace("mdc", "sem"),))
             for part, mdc in (("h", "mdc_c"), ("i", "mdc_a"), ("j", "mdc_1"))]
    made.append(varied(18, "f", "MDC in percent is MDC over the mean", "E",
                       *(Case((f"mdc_percent == 100*{mdc}/mean",), {"kind": kind} if kind else {}, said)
                         for mdc, kind, said in (("mdc", "", "of the MDC"), ("mdc_c", "consistency",
                                                                             "of MDC (consistency)"),
                                                 ("mdc_a", "agreement", "of MDC (agreement)"))),
                       target="mdc_percent", source=WEIR, needs=("kind",), partial=True))
    for part, coefficient, s in (("a", "repeatability", "s_r"), ("b", "repeatability", "sem_1"),
                                 ("c", "reproducibility", "s_R")):
        made.append(varied(
            19, part, f"{coefficient} is 2.77 times its SD", "E",
            Case((f"{coefficient} == 1.959963985*sqrt(2)*{s}",), {"factor": "1.96"}, "factor 1.96 root 2, 2.77"),
            Case((f"{coefficient} == 2.77*{s}",), {"factor": "1.96"}, "factor 2.77"),
            Case((f"{coefficient} == 2.8*{s}",), {}, "factor 2.8 of ISO 5725"),
            Case((f"{coefficient} == 2*sqrt(2)*{s}",), {"factor": "2"}, "factor 2 root 2, 2.83"),
            Case((f"{coefficient} == 1.959963985*{s}",), {}, "factor 1.96 without the root of 2", usual=False),
            Case((f"{coefficient} == 2*{s}",), {}, "factor 2 without the root of 2", usual=False),
            # Any larger number may be a t factor of few degrees of freedom, or another level.
            target=coefficient, source=ISO, needs=("factor",)))
    made += [
        exact(19, "d", "reproducibility is repeatability and laboratories", "E", "s_R**2 == s_r**2 + s_L**2",
              target="s_R", source=ISO),
        exact(19, "e", "reproducibility SD is at least the repeatability SD", "I", "s_R >= s_r", source=ISO),
        exact(19, "f", "reproducibility limit is at least the repeatability limit", "I",
              "reproducibility >= repeatability", source=ISO),
        varied(20, "a", "SD of differences of two trials is the root of 2 times SEM (consistency)", "E",
               Case(("sd_diff == sqrt(2)*sem_c",), {"divisor": "n-1"}),
               Case(("sd_diff*sqrt(n/(n - 1)) == sqrt(2)*sem_c",), {"divisor": "n"}, "an SD with divisor n",
                    usual=False, extra=True), target="sd_diff", when_two=True, source=WEIR),
        exact(20, "b", "half the width of the limits is MDC (consistency) at the same factor", "V",
              "loa_high - loa_low == 2*mdc_c", when_two=True, target="mdc_c", source=WEIR),
        exact(20, "c", "F of two trials is the square of t", "E", "f_raters == t_bias**2", when_two=True, source=WEIR),
        exact(20, "d", "component of two trials from bias and SEM", "B", "ms_raters == n*bias**2/2",
              when_two=True, source=WEIR),
    ]
    return made


def _intervals_and_cv() -> list[Relation]:
    made: list[Relation] = []
    chi = "Searle, Casella and McCulloch (1992), Variance Components, chapter 3"
    for part, sem, df in (("a", "sem_c", "(n - 1)*(k - 1)"), ("d", "sem_1", "n*(k - 1)"), ("g", "sem", "n - 1")):
        second = {"d": "e", "a": "b", "g": "h"}[part]
        third = {"d": "f", "a": "c", "g": "i"}[part]
        level = f"{sem}__level"
        needs = ("level", "method")
        made += [
            exact(21, part, "lower end of the interval of an SEM by chi-square", "N",
                  f"{sem}__low == {sem}*sqrt({df})/sqrt(chi_upper({level}, {df}))", source=chi, needs=needs,
                  method="chi-square"),
            exact(21, second, "upper end of the interval of an SEM by chi-square", "N",
                  f"{sem}__high == {sem}*sqrt({df})/sqrt(chi_lower({level}, {df}))", source=chi, needs=needs,
                  method="chi-square"),
            exact(21, third, "ratio of the ends of the interval of an SEM", "N",
                  f"{sem}__high/{sem}__low == sqrt(chi_upper({level}, {df})/chi_lower({level}, {df}))",
                  target=f"{sem}__high", source=chi, needs=needs, method="chi-square")]
    made += [
        varied(22, "a", "CV is SD over the mean", "V",
               Case(("cv == 100*sd/mean",), {}, "SD over mean"),
               Case(("cv == 100*sqrt(exp(sd_log**2) - 1)",), {}, "from the SD of logs", usual=False,
                    extra=True), target="cv"),
        varied(22, "b", "SEM in percent is SEM over the mean", "V",
               *(Case((f"sem_percent == 100*{sem}/mean",), {}, f"of {name}") for sem, name in
                 (("sem", "the SEM"), ("sem_c", "SEM (consistency)"), ("sem_a", "SEM (agreement)"),
                  ("sem_1", "SEM (one-way)"))), target="sem_percent", partial=True),
        varied(22, "e", "CV from the SD of logs", "V",
               Case(("cv == 100*sqrt(exp(sd_log**2) - 1)",), {}, "lognormal"),
               Case(("cv == 100*(exp(sd_log) - 1)",), {}, "exp(s) - 1"),
               Case(("cv == 100*sd_log",), {}, "the SD of logs itself", usual=False), target="cv"),
        exact(22, "f", "CV of the mean of m is at most the CV of one", "I", "cv_mean <= cv"),
        Relation(22, "g", "root mean square of the CVs of units", "V", (), finder="rms_of_unit_cvs"),
    ]
    # With SEM (agreement) it is exact only where no component was cut off at zero, and a one-way analysis has another
    # SD of true scores than a two-way one. Both only ask; where both analyses are printed nothing tells which is meant.
    one_way = ("icc_1", "icc_k", "f_one", "ms_within", "ss_within", "sem_1")
    made += [exact(23, part, "ICC is the share of true scores", "E" if part == "b" else "V",
                   f"{icc}*(sd_true**2 + {sem}**2) == sd_true**2", target=icc,
                   unless=one_way if part == "b" else ())
             for part, icc, sem in (("a", "icc", "sem"), ("b", "icc_c1", "sem_c"), ("c", "icc_a1", "sem_a"),
                                    ("d", "icc_1", "sem_1"))]
    made.append(exact(23, "e", "component of units is the square of the SD of true scores", "E",
                      "var_units == sd_true**2", printed=("sd_true", "var_units")))
    return made


def relations() -> list[Relation]:
    """Return the relations of this family."""
    return [*_sem(), *_mdc(), *_intervals_and_cv()]
