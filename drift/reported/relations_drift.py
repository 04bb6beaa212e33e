"""Relations 42 to 44: drift, life and policy."""

from __future__ import annotations

from drift.reported.relation import Relation, exact, p_of_t

LINE = "Draper and Smith (1998), Applied Regression Analysis, chapter 1"
LIFE = "Meeker and Escobar (1998), Statistical Methods for Reliability Data, chapter 4"
AGE = "Barlow and Proschan (1965), Mathematical Theory of Reliability, chapter 4"


def relations() -> list[Relation]:
    """Return the relations of this family."""
    return [
        exact(42, "a", "t of a slope", "E", "t_slope*se_slope == slope", target="t_slope", source=LINE),
        exact(42, "b", "width of the interval of a slope", "N",
              "slope__high - slope__low == 2*tq(slope__level, df_slope)*se_slope", target="se_slope",
              needs=("level", "method"), source=LINE, method="t"),
        exact(42, "c", "interval of a slope is symmetric", "N", "slope__low + slope__high == 2*slope",
              target="slope__high", needs=("method",), source=LINE, method="t"),
        exact(42, "d", "R squared of one straight line from t", "E", "r_squared*(t_slope**2 + df_slope) == t_slope**2",
              target="r_squared", source=LINE),
        exact(42, "e", "R squared of one straight line from slope and standard error", "E",
              "r_squared*(slope**2 + df_slope*se_slope**2) == slope**2", target="r_squared", source=LINE),
        exact(42, "f", "degrees of freedom of one straight line", "E", "df_slope == points - 2", source=LINE),
        p_of_t(42, "g", "p of a slope", "p_slope", "t_slope", "df_slope", LINE),
        p_of_t(42, "g2", "p of a slope from its standard error", "p_slope", "slope/se_slope", "df_slope", LINE),
        p_of_t(42, "g3", "p of a slope against its interval", "p_slope",
               "2*slope*tq(slope__level, df_slope)/(slope__high - slope__low)", "df_slope", LINE, method="t"),
        exact(42, "h", "total drift is slope times uses", "E", "total_drift == slope*uses"),
        exact(42, "i", "uses to the limit, from the value when fresh", "A", "uses_to_limit*slope == limit - start",
              target="uses_to_limit"),
        exact(42, "j", "uses to the limit, from the printed intercept", "E",
              "uses_to_limit*slope == limit - intercept", target="uses_to_limit", source=LINE),
        exact(42, "k", "mean life of a Wiener process", "N", "wiener_mean*wiener_drift == wiener_distance",
              target="wiener_mean", source=LIFE),
        exact(42, "l", "shape of the first passage of a Wiener process", "N",
              "wiener_shape*wiener_sigma**2 == wiener_distance**2", target="wiener_shape", source=LIFE),
        Relation(43, "a", "Kaplan-Meier values are products of (1 - d/n)", "E", (), finder="kaplan_meier",
                 source="Kaplan and Meier (1958), JASA 53:457-481"),
        exact(43, "b", "mean life of a Weibull", "E", "life_mean == weibull_scale*gamma_of_shape(weibull_shape)",
              source=LIFE),
        exact(43, "c", "B10 of a Weibull", "E",
              "b10 == weibull_scale*exp(log(0.105360515657826)/weibull_shape)", source=LIFE),
        exact(43, "d", "median life of a Weibull", "E",
              "life_median == weibull_scale*exp(log(0.693147180559945)/weibull_shape)", source=LIFE),
        exact(44, "a", "cost per use at the optimum replacement age of a Weibull", "E",
              "cost_rate == (cost_failure - cost_planned)*weibull_shape/weibull_scale"
              "*exp((weibull_shape - 1)*log(replace_at/weibull_scale))", source=AGE),
        exact(44, "b", "an optimum replacement age needs a hazard that rises", "I", "weibull_shape >= 1",
              "replace_at >= 0", source=AGE, printed=("replace_at", "weibull_shape", "cost_failure")),
        exact(44, "c", "an optimum replacement age needs a failure dearer than a planned replacement", "I",
              "cost_failure >= cost_planned", "replace_at >= 0", source=AGE),
    ]
