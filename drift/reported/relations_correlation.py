"""Relations 33 to 36: correlation, concordance, total deviation index."""

from __future__ import annotations

from drift.reported.relation import Case, Relation, exact, p_of_t, varied

LIN = "Lin (1989), Biometrics 45:255-268"


def relations() -> list[Relation]:
    """Return the relations of this family."""
    top = "2*r*sd_1*sd_2"
    made = [
        exact(33, "a", "ICC(C,1) of two methods from r and the SDs", "E",
              f"icc_c1*(sd_1**2 + sd_2**2) == {top}", when_two=True, target="icc_c1", source=LIN),
        varied(33, "b", "ICC(A,1) of two methods from r, the SDs and the bias", "E",
               Case((f"icc_a1*(sd_1**2 + sd_2**2 + bias**2 - sd_diff**2/n) == {top}",), {"divisor": "n-1"},
                    "SDs with divisor n - 1"),
               Case((f"icc_a1*(sd_1**2 + sd_2**2 + bias**2*(n - 1)/n - sd_diff**2/n) == {top}",), {"divisor": "n"},
                    "SDs with divisor n"),
               Case((f"icc_a1*(sd_1**2 + sd_2**2) == {top}", "n*bias**2 <= sd_diff**2"), {},
                    "a negative component of raters cut off at zero", usual=False), when_two=True, target="icc_a1",
               source=LIN),
        varied(33, "c", "CCC from r, the SDs and the bias", "E",
               Case((f"ccc*(sd_1**2 + sd_2**2 + bias**2) == {top}",), {"divisor": "n-1"}, "moments with divisor n - 1"),
               Case((f"ccc*(sd_1**2 + sd_2**2 + bias**2*n/(n - 1)) == {top}",), {"divisor": "n"},
                    "moments with divisor n", extra=True), target="ccc", source=LIN),
        exact(34, "a", "ICC(C,1) of two methods is at most |r|", "I", "abs(icc_c1) <= abs(r)", when_two=True,
              source=LIN),
        exact(34, "b", "CCC is at most |r|", "I", "abs(ccc) <= abs(r)", source=LIN),
        varied(34, "c", "CCC is at most ICC(A,1) of two methods", "I",
               Case(("ccc <= icc_a1", "r >= 0")), Case(("r <= 0",)), target="ccc", source=LIN, when_two=True),
        varied(34, "d", "CCC is at most ICC(C,1) of two methods", "I",
               Case(("ccc <= icc_c1", "r >= 0")), Case(("r <= 0",)), target="ccc", source=LIN, when_two=True),
        exact(34, "e", "CCC is r times the bias correction factor", "E", "ccc == r*c_b", source=LIN),
        exact(34, "f", "bias correction factor from the shifts", "E",
              "c_b*(scale_shift + 1/scale_shift + location_shift**2) == 2", target="c_b", source=LIN),
        varied(34, "g", "scale shift is the ratio of the SDs", "E", Case(("scale_shift*sd_2 == sd_1",)),
               Case(("scale_shift*sd_1 == sd_2",), {}, "the other way round"), target="scale_shift", source=LIN),
        varied(34, "h", "location shift is the bias over the geometric mean of the SDs", "E",
               Case(("abs(location_shift)*sqrt(sd_1*sd_2) == abs(bias)",), {"divisor": "n-1"},
                    "SDs with divisor n - 1"),
               Case(("abs(location_shift)*sqrt(sd_1*sd_2) == abs(bias)*sqrt(n/(n - 1))",), {"divisor": "n"},
                    "SDs with divisor n", extra=True), target="location_shift", source=LIN),
        exact(35, "a", "t of r", "E", "t_r*sqrt(1 - r**2) == r*sqrt(n - 2)", target="t_r"),
        p_of_t(35, "b", "p of r", "p_r", "r*sqrt(n - 2)/sqrt(1 - r**2)", "n - 2"),
        exact(35, "c", "lower end of the interval of r by Fisher's z", "N",
              "atanh(r__low) == atanh(r) - zq(r__level)/sqrt(n - 3)", target="r__low", needs=("level", "method"),
              method="Fisher z",
              source="Fisher (1925), Statistical Methods for Research Workers, section 35"),
        exact(35, "d", "upper end of the interval of r by Fisher's z", "N",
              "atanh(r__high) == atanh(r) + zq(r__level)/sqrt(n - 3)", target="r__high", needs=("level", "method"),
              method="Fisher z",
              source="Fisher (1925), Statistical Methods for Research Workers, section 35"),
        exact(35, "e", "width of the interval of r on the z scale", "N",
              "atanh(r__high) - atanh(r__low) == 2*zq(r__level)/sqrt(n - 3)", target="r__high",
              needs=("level", "method"), method="Fisher z",
              source="Fisher (1925), Statistical Methods for Research Workers, section 35"),
        exact(36, "a", "TDI, approximate form", "A", "tdi == zq(tdi_share)*sqrt(bias**2 + sd_diff**2)",
              source="Lin (2000), Statistics in Medicine 19:255-270"),
        exact(36, "b", "coverage probability of normal differences", "N",
              "coverage == Phi((coverage_at - bias)/sd_diff) - Phi((0 - coverage_at - bias)/sd_diff)",
              source="Lin (2000), Statistics in Medicine 19:255-270", needs=("divisor",)),
        exact(36, "c", "TDI of normal differences", "N",
              "tdi_share == Phi((tdi - bias)/sd_diff) - Phi((0 - tdi - bias)/sd_diff)", target="tdi_share",
              source="Lin (2000), Statistics in Medicine 19:255-270", needs=("divisor", "method")),
    ]
    return made
