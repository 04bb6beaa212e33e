"""Claim files: TOML or CSV, read into a :class:`~drift.reported.claims.Paper`, or refused with every fault at once."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from drift.errors import DriftError, Finding
from drift.reported.claim_files import from_csv, from_toml
from drift.reported.claims import CONVENTIONS, DESIGNS, Claim, Paper, Statement, suits
from drift.reported.one_unit import powers
from drift.reported.pairs import advice, parts, turned
from drift.reported.strings import ROUNDINGS, Mark, Printed, Reading, Rounding, StringProblemError, read
from drift.reported.vocabulary import Quantity, find, nearest, quantities

WORDS = ("poor", "moderate", "good", "excellent")
CLAIM_KEYS = ("what", "printed", "id", "table", "group", "item", "n", "k", "m", "level", "rounding", "word", "note",
              *CONVENTIONS)
PAPER_KEYS = ("title", "invented", "rounding", "decimal", "design", "note", "n", "k", "m", "level", *CONVENTIONS)
RESOLVED = {("consistency", "single"): "icc_c1", ("consistency", "mean of k"): "icc_ck",
            ("agreement", "single"): "icc_a1", ("agreement", "mean of k"): "icc_ak",
            ("one-way", "single"): "icc_1", ("one-way", "mean of k"): "icc_k"}
KIND_OF = {s: kind for (kind, _), s in RESOLVED.items()}
AVERAGE_OF = {s: average for (_, average), s in RESOLVED.items()}
SEM_OF = {"consistency": "_c", "agreement": "_a", "one-way": "_1"}
SD_OF = {"all readings": "sd_all", "within columns": "sd_columns", "true scores": "sd_true"}
LIMITS = ("loa_low", "loa_high")
TURNED = "If the paper prints it so, that is a question to its authors."


@dataclass
class Draft:
    """What has been read so far, and what is wrong with it."""

    file: str
    mark: str | None = None
    rounding: Rounding = "nearest"
    defaults: dict[str, str] = field(default_factory=dict)
    claims: list[Claim] = field(default_factory=list)
    statements: list[Statement] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def decimal_mark(self) -> Mark | None:
        """The decimal mark of the paper, where it is said."""
        return "comma" if self.mark == "comma" else "point" if self.mark == "point" else None

    def fault(self, message: str, mend: str, *, row: int | None = None, column: str | None = None,
              value: object = None, code: str = "claim", severity: Any = "error") -> None:
        """Note a fault."""
        self.findings.append(Finding(severity=severity, code=code, message=message, mend=mend, file=self.file, row=row,
                                     column=column, value=None if value is None else str(value)))


def read_claims(path: str | Path) -> tuple[Paper, tuple[Finding, ...]]:
    """Read a claim file.

    Raises
    ------
    DriftError
        With every fault of the file.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        text = path.read_text(encoding="cp1252", errors="replace")
    except OSError as error:
        raise DriftError(Finding(severity="error", code="no-file", file=str(path),
                                 message=f"the file cannot be read ({error.strerror})",
                                 mend="Give the name of a claim file; drift review --new writes one.")) from None
    return paper_of(text, file=path.name, toml=path.suffix.lower() not in (".csv", ".tsv", ".txt"))


def paper_of(text: str, *, file: str = "claims.toml", toml: bool = True) -> tuple[Paper, tuple[Finding, ...]]:
    """Read the text of a claim file; return the paper and what was noted."""
    if toml:
        data = from_toml(text, file)
        lines: list[int] | None = [i for i, line in enumerate(text.splitlines(), 1)
                                   if re.match(r"\s*\[\[\s*claims\s*\]\]", line)]
        claims = data.get("claims", [])
        rows = lines if isinstance(claims, list) and lines and len(lines) == len(claims) else None
    else:
        data, rows = from_csv(text, file)
    return paper_from_dict(data, file=file, rows=rows)


def paper_from_dict(data: Mapping[str, Any], *, file: str = "claims",
                    rows: list[int] | None = None) -> tuple[Paper, tuple[Finding, ...]]:
    """Read claims that are held as plain values.

    Raises
    ------
    DriftError
        With every fault.
    """
    draft = Draft(file)
    for key in data:
        if key not in ("paper", "claims", "relations"):
            draft.fault(f"there is no part {key!r} in a claim file", _meant(key, ("paper", "claims", "relations")),
                        code="unknown-key")
    paper = data.get("paper", {})
    paper = paper if isinstance(paper, Mapping) else {}
    _settings(draft, paper)
    listed = data.get("claims", [])
    if not isinstance(listed, list) or not listed:
        draft.fault("the file holds no claims", 'Add a [[claims]] with what = "ICC(C,1)" and printed = "0.85".',
                    code="no-claims")
        listed = []
    for i, claim in enumerate(listed):
        row = rows[i] if rows else i + 1
        if isinstance(claim, Mapping) and isinstance(claim.get("printed"), float):
            draft.fault("the number is no text, and zeros at its end are lost",
                        f'Write it in quotation marks with all its digits: printed = "{claim["printed"]}".', row=row,
                        column="printed", value=claim["printed"], code="number-without-quotes", severity="warning")
        if isinstance(claim, Mapping):
            try:
                made = parts(claim)
                if turned(made, draft.decimal_mark):
                    draft.fault("the limits stand the wrong way round; they are read with the smaller one first",
                                TURNED, row=row, column="printed", value=claim.get("printed"), code="interval-turned",
                                severity="warning")
                for part in made:
                    _claim(draft, part, row)
            except StringProblemError as problem:
                draft.fault(problem.message, problem.mend, row=row, column="printed", value=claim.get("printed"),
                            code="unreadable-number")
        else:
            draft.fault("a claim is a table with what and printed", "Start it with [[claims]].", row=row)
    _statements(draft, data.get("relations", []))
    claims = _without_repeats(draft)
    if any(f.severity == "error" for f in draft.findings):
        raise DriftError(draft.findings)
    title = str(paper.get("title", "")) or Path(file).stem
    return (Paper(title, claims, tuple(draft.statements), str(paper.get("design", "complete")),
                  bool(paper.get("invented", False)), file), tuple(draft.findings))


def _settings(draft: Draft, paper: Mapping[str, Any]) -> None:
    """Read what holds for the whole paper."""
    for key, value in paper.items():
        if key not in PAPER_KEYS:
            draft.fault(f"[paper] takes no {key!r}", _meant(key, PAPER_KEYS), column=key, code="unknown-key")
        elif key == "decimal":
            if value not in ("comma", "point"):
                draft.fault("the decimal mark is not known", 'Write decimal = "comma" or "point".', column=key,
                            value=value)
            else:
                draft.mark = str(value)
        elif key == "design" and value not in DESIGNS:
            draft.fault("the design is not known", f"Write one of: {', '.join(DESIGNS)}.", column=key, value=value)
        elif key == "rounding":
            draft.rounding = _rounding(draft, value, None)
        elif key in CONVENTIONS:
            word = _convention(draft, key, value, None)
            if word:
                draft.defaults[key] = word
    level = _level(draft, paper["level"], None) if "level" in paper else None
    if level is not None:
        draft.defaults["level"] = repr(level)
    for key in ("n", "k", "m"):
        if key in paper:
            _design_number(draft, key, paper[key], "", "", None)


def _meant(word: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(str(word), known, n=1, cutoff=0.6)
    return f"Did you mean {close[0]!r}?" if close else f"It takes: {', '.join(known)}."


def _rounding(draft: Draft, value: object, row: int | None) -> Rounding:
    for known in ROUNDINGS:
        if str(value) == known:
            return known
    draft.fault("the rounding is not known", f"Write one of: {', '.join(ROUNDINGS)}.", row=row, column="rounding",
                value=value)
    return "nearest"


def _convention(draft: Draft, key: str, value: object, row: int | None) -> str:
    text = str(value).strip()
    text = "1.96" if key == "factor" and text in ("1,96", "z") else text.replace("\N{MINUS SIGN}", "-")
    same = {w.casefold().replace(" ", ""): w for w in CONVENTIONS[key]}
    word = same.get(text.casefold().replace(" ", ""), "")
    if not word:
        close = difflib.get_close_matches(text, CONVENTIONS[key], n=1, cutoff=0.5)
        hint = f"Did you mean {close[0]!r}? " if close else ""
        draft.fault(f"{key} has no such word", f"{hint}It takes: {', '.join(CONVENTIONS[key])}.", row=row, column=key,
                    value=value)
    return word


def _level(draft: Draft, value: object, row: int | None) -> float | None:
    text = str(value).replace("%", "").replace(",", ".").strip()
    try:
        level = float(text)
    except ValueError:
        level = math.nan
    level = level / 100 if level >= 1 else level
    if not 0.5 <= level < 1:
        draft.fault("a confidence level is a share such as 0.95 or '95 %'", "Write level = \"95 %\".", row=row,
                    column="level", value=value)
        return None
    return level


def _design_number(draft: Draft, key: str, value: object, table: str, group: str, row: int | None) -> None:
    try:
        count = float(str(value).replace(",", "."))
    except ValueError:
        count = math.nan
    least = 1 if key == "m" else 2
    if not (count >= least and count == int(count) and count <= 1e6):
        draft.fault(f"{key} must be a whole number of at least {least}", "Copy the number of units, not a share or "
                    "degrees of freedom; leave it out if the paper does not say.", row=row, column=key, value=value,
                    code="impossible-n")
        return
    printed = Printed(str(int(count)), Decimal(int(count)), Decimal(1))
    draft.claims.append(Claim(len(draft.claims) + 1, key, printed, str(value), table, group, row=row))


def _claim(draft: Draft, claim: Mapping[str, Any], row: int) -> None:
    """Read one claim."""
    unknown = [k for k in claim if k not in CLAIM_KEYS]
    for key in unknown:
        draft.fault(f"a claim takes no {key!r}", _meant(key, CLAIM_KEYS), row=row, column=key, code="unknown-key")
    what, shown = str(claim.get("what", "")).strip(), str(claim.get("printed", "")).strip()
    if not what or not shown:
        missing = "what it is" if not what else "the printed string"
        draft.fault(f"a claim needs {missing}", 'Write what = "ICC(C,1)" and printed = "0.85".', row=row,
                    column="printed" if what else "what")
        return
    quantity = find(what)
    if quantity is None:
        near = nearest(what)
        draft.fault("it is not known what this number is",
                    (f"Did you mean {near!r}? " if near else "") + "drift review --new lists every name.",
                    row=row, column="what", value=what, code="unknown-quantity")
        return
    said = {k: w for k in CONVENTIONS if k in claim and (w := _convention(draft, k, claim[k], row))}
    if quantity.symbol in ("icc", "sem", "mdc"):
        said = {**{k: draft.defaults[k] for k in ("kind", "average") if k in draft.defaults
                   and (k == "kind" or quantity.symbol == "icc")}, **said}
    quantity = _resolved(draft, quantity, said, row)
    conventions = {**{k: v for k, v in draft.defaults.items() if k in CONVENTIONS and k not in ("kind", "average")
                      and (k != "method" or suits(quantity.symbol, v))}, **said}
    if "word" in claim:
        word = str(claim["word"]).strip().casefold()
        if word in WORDS:
            conventions["word"] = word
        else:
            draft.fault("the word for a coefficient is not known", f"It takes: {', '.join(WORDS)}.", row=row,
                        column="word", value=claim["word"])
    try:
        made = read(shown, mark=draft.decimal_mark)
    except StringProblemError as problem:
        draft.fault(problem.message, advice(quantity.symbol, quantity.name, shown) or problem.mend, row=row,
                    column="printed", value=shown, code="unreadable-number")
        return
    _keep(draft, claim, quantity, made, conventions, row)


def _resolved(draft: Draft, quantity: Quantity, said: dict[str, str], row: int) -> Quantity:
    """Return the quantity that the stated kind makes of one whose form is open; refuse contradictions."""
    symbol = quantity.symbol
    if symbol in KIND_OF:
        for key, own in (("kind", KIND_OF[symbol]), ("average", AVERAGE_OF[symbol])):
            if said.get(key, own) != own:
                draft.fault(f"{quantity.name} is of {own}, and the claim says {said[key]}",
                            f"Take {key} away, or name the coefficient 'ICC'.", row=row, column=key, value=said[key],
                            code="contradictory-kind")
        said["kind"], said["average"] = KIND_OF[symbol], AVERAGE_OF[symbol]
    elif symbol == "icc" and "kind" in said:
        symbol = RESOLVED[said["kind"], said.get("average", "single")]
    elif symbol in ("sem", "mdc") and "kind" in said:
        symbol += SEM_OF[said["kind"]]
    elif symbol in ("sem_c", "sem_a", "sem_1", "mdc_c", "mdc_a", "mdc_1"):
        own = {v: k for k, v in SEM_OF.items()}[symbol[-2:]]
        if said.get("kind", own) != own:
            draft.fault(f"{quantity.name} is of {own}, and the claim says {said['kind']}",
                        f"Take kind away, or name it {symbol[:3].upper()!r}.", row=row, column="kind",
                        value=said["kind"], code="contradictory-kind")
        said["kind"] = own
    elif symbol == "sd" and said.get("sd_of") in SD_OF:
        symbol = SD_OF[said["sd_of"]]
    return quantities()[symbol]


def _keep(draft: Draft, claim: Mapping[str, Any], quantity: Quantity, made: Reading, conventions: dict[str, str],
          row: int) -> None:
    """Keep what one string says as claims: the number, the ends of its interval, its level, n, k and m."""
    table, group, item = (str(claim.get(k, "")).strip() for k in ("table", "group", "item"))
    if item and not quantity.many and quantity.symbol not in ("number", "whole"):
        group, item = ", ".join(x for x in (group, item) if x), ""
    rounding = _rounding(draft, claim["rounding"], row) if "rounding" in claim else draft.rounding
    parts = {"": made.point, "__low": made.low, "__high": made.high}
    if quantity.symbol == "bias" and made.point is None and made.low is not None and conventions.get("factor"):
        parts = {}
    for end, printed in parts.items():
        if printed is None:
            continue
        fitted = _fitted(draft, quantity, printed, row)
        if fitted is not None:
            if not powers(quantity.symbol) and quantity.symbol != "number":
                fitted = replace(fitted, measured_in="")  # a share or a count has no unit; some word stands there
            draft.claims.append(Claim(len(draft.claims) + 1, quantity.symbol + end, fitted, str(claim["printed"]),
                                      table, group, item, conventions, rounding, row, str(claim.get("id", ""))))
    if made.swapped:
        draft.fault("the interval stands the wrong way round; it is read with its smaller end first",
                    TURNED, row=row, column="printed",
                    value=claim["printed"], code="interval-turned", severity="warning")
    _own_level(draft, claim, quantity, made, table, group, row)
    for key in ("n", "k", "m"):
        if key in claim:
            _design_number(draft, key, claim[key], table, group, row)


def _own_level(draft: Draft, claim: Mapping[str, Any], quantity: Quantity, made: Reading, table: str, group: str,
               row: int) -> None:
    level = _level(draft, claim["level"], row) if "level" in claim else made.level
    if level is not None and made.level is not None and abs(level - made.level) > 1e-9:
        draft.fault(f"the string says {100 * made.level:g} % and level says {100 * level:g} %", "Keep one of them.",
                    row=row, column="level", value=claim["level"], code="contradictory-level")
    said = re.search(r"(?<!\d)(90|95|99)(?!\d)", str(claim["what"]))
    if level is None and said and quantity.symbol.startswith(("mdc", "loa")):
        level = int(said.group(1)) / 100
    if level is None and "level" in draft.defaults:
        level = float(draft.defaults["level"])
    symbol = "loa" if quantity.symbol in LIMITS and made.low is None else quantity.symbol
    if level is not None and (made.low is not None or symbol.startswith(("mdc", "loa", "coverage_factor"))):
        printed = Printed(f"{100 * level:g} %", Decimal(repr(round(level, 6))), Decimal("0.01"))
        draft.claims.append(Claim(len(draft.claims) + 1, f"{symbol}__level", printed, printed.text, table, group,
                                  row=row))


def _fitted(draft: Draft, quantity: Quantity, printed: Printed, row: int) -> Printed | None:
    """Bring a number to the scale of its quantity; refuse what it cannot be."""
    value = printed.value
    if quantity.scale == "whole":
        least = quantity.domain[0]
        if value != value.to_integral_value() or value < Decimal(repr(least)):
            draft.fault(f"{quantity.name} must be a whole number of at least {least:g}",
                        "Copy the count; a share belongs to another claim.", row=row, column="printed",
                        value=printed.text, code="impossible-n")
            return None
        return printed
    if quantity.scale == "percent" and (quantity.domain[0] < 0.0 or value >= 0):
        return printed
    if printed.percent and quantity.scale == "share":
        return printed.scaled(Decimal("0.01"))
    if printed.percent and quantity.scale != "percent":
        of_mean = {"sem": "SEM in percent", "mdc": "MDC in percent", "sd": "CV", "loa_low": "lower limit in percent",
                   "loa_high": "upper limit in percent"}.get(quantity.symbol[:3] if quantity.symbol[:3] in (
                       "sem", "mdc") else quantity.symbol)
        draft.fault(f"{quantity.name} is no share, and a percent sign follows the number",
                    (f"If it is in percent of the mean, call it {of_mean!r}; " if of_mean else "")
                    + "if percent is the unit of every number here, leave the sign out.", row=row, column="printed",
                    value=printed.text, code="percent")
        return None
    if quantity.scale == "share" and (value >= 2 or (value <= -2 and quantity.domain[0] >= -1)):
        draft.fault(f"{quantity.name} cannot be {value}: it is a share",
                    f"Write {value / 100} or '{value} %', as the paper has it.", row=row, column="printed",
                    value=printed.text, code="percent")
        return None
    if quantity.domain[0] == 0.0 and value < 0:
        draft.fault(f"{quantity.name} cannot be negative", "Check the sign in the paper.", row=row, column="printed",
                    value=printed.text, code="impossible-value")
        return None
    return printed


def _statements(draft: Draft, listed: object) -> None:
    """Read the relations that the paper states itself."""
    from drift.engine.interval_equations import EquationTextError, equation

    known = {c.id for c in draft.claims if c.id}
    for row, entry in enumerate(listed if isinstance(listed, list) else [listed], 1):
        text = str(entry.get("equation", "")) if isinstance(entry, Mapping) else ""
        wide = re.sub(r"(?<![<>=!])=(?!=)", "==", text).replace("^", "**")
        try:
            names = equation(wide).names
        except EquationTextError as problem:
            draft.fault(f"a relation of the paper's own cannot be read: {problem}",
                        'Write equation = "limit = s1 * sqrt(F)" with ids of claims.', row=row, column="equation",
                        value=text, code="equation")
            continue
        missing = [n for n in names if n not in known]
        if missing:
            draft.fault(f"no claim has the id {missing[0]!r}", f'Give the claim id = "{missing[0]}". '
                        f"Ids there are: {', '.join(sorted(known)) or 'none'}.", row=row, column="equation", value=text,
                        code="unknown-id")
            continue
        draft.statements.append(Statement(wide, str(entry.get("name", "")), row))


def _without_repeats(draft: Draft) -> tuple[Claim, ...]:
    """Keep one claim of each count and level of a place; refuse two that contradict each other."""
    kept: list[Claim] = []
    seen: dict[tuple[str, str, str], Claim] = {}
    for claim in draft.claims:
        if (claim.symbol in ("n", "k", "m") and not claim.item) or claim.symbol.endswith("__level"):
            key = (claim.table, claim.group, claim.symbol)
            first = seen.setdefault(key, claim)
            if first is not claim:
                if first.printed.value != claim.printed.value:
                    draft.fault(f"{claim.name} is {first.printed.text} on one line and {claim.printed.text} on "
                                "another of the same table and group", "Give what belongs together a group of its own.",
                                row=claim.row, value=claim.printed.text, code="two-values")
                continue
        kept.append(claim)
    return tuple(kept)
