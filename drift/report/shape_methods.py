"""Sentences of the methods paragraph about what stands beside the drift per use."""

from __future__ import annotations

from drift.results import Result


def beside_the_drift(part: Result) -> str:
    """Say how robust trend, shape, autocorrelation and other clocks were looked at, as far as they were."""
    names = {t.name for t in part.tables}
    words = []
    if "robust trend" in names:
        words.append("A robust drift was the centre of the sensors' Theil-Sen slopes with the interval of signed ranks "
                     "(Hodges and Lehmann 1963)")
    if "shapes of drift" in names:
        shapes = part.table("shapes of drift")
        chosen = sorted({str(s) for s, c in zip(shapes["shape"], shapes["chosen"], strict=True) if c == "yes"})
        words.append("Shapes of drift were compared by the log predictive density of sensors left out, the simplest "
                     f"within one standard error of the best being taken ({' and '.join(chosen)})")
    if "break profile" in names:
        words.append("A break was tested by the largest t of sensors' own bends over all breaks, and bounded by "
                     "inverting that test (Davies 1987; Dufour 1990)")
    if "autocorrelation" in names:
        words.append("Errors with continuous-time autocorrelation and a nugget were compared with independent ones by "
                     "AIC of the restricted likelihood")
    if "exposures" in names:
        words.append("Other clocks of wear were fitted alone and together on the same checks, collinearity being "
                     "judged by variance inflation within sensors")
    settings = part.provenance.settings
    if settings.get("start"):
        words.append(f"Uses below {settings['start']:g} were left out of the slope")
    return "".join(f" {text[0].upper()}{text[1:]}." for text in words)
