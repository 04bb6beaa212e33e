"""The commented template of a claim file."""

from __future__ import annotations

from drift.reported.claims import CONVENTIONS, DESIGNS
from drift.reported.strings import ROUNDINGS
from drift.reported.vocabulary import listed

HEAD = '''# Printed numbers of one paper, to be held against each other: drift review THIS_FILE
# Copy every number as it is printed: its digits say how exactly it is known. Delete what the paper does not say.
# Lines that start with # are comments. The numbers below are invented; put the paper's own in their place.

[paper]
title = "An invented example"
invented = true              # leave out for a real paper
n = 12                       # units (participants, sensors); leave out if not said
k = 3                        # measurements of each unit; leave out if not said
level = "95 %"               # of its intervals, if said
# design = "complete"        # {designs}
# rounding = "nearest"       # {roundings}
# decimal = "comma"          # if 1,234 means 1.234
# method = "F"               # how intervals of ICCs were made, if said; also for one claim

# One [[claims]] for each printed number. Numbers of one table and group are held against each other.
[[claims]]
what = "ICC(C,1)"
printed = "0.81 (0.58 to 0.94)"
table = "Table 2"
group = "left foot"

[[claims]]
what = "SEM (consistency)"
printed = "11.2"             # in the paper's own unit
table = "Table 2"
group = "left foot"

[[claims]]
what = "MDC (consistency)"
printed = "31.0"
table = "Table 2"
group = "left foot"

# A relation that the paper states itself, between claims with an id:
# [[claims]]
# what = "number"
# id = "s1"
# printed = "0.0614"
# [[claims]]
# what = "number"
# id = "limit"
# printed = "0.0928"
# [[relations]]
# equation = "limit = s1 * sqrt(2.2868)"
# name = "control limit as the paper defines it"

# A claim may also say (only what the paper says):
'''
TAIL = '''#   n, k, m          numbers of its own, where they differ from [paper]
#   level            of its interval: "90 %"
#   item             which one of several: "laboratory 3"
#   word             the paper's word for a coefficient: poor, moderate, good, excellent
# The same may be a CSV with the columns what, printed, table, group, n, k, ...

# Everything that a number can be (other names of the field are understood too):
'''


def template() -> str:
    """Return the text of a template that is itself a valid claim file."""
    lines = [HEAD.format(designs=" | ".join(DESIGNS), roundings=" | ".join(ROUNDINGS))]
    lines += [f"#   {key:16} {' | '.join(words)}\n" for key, words in CONVENTIONS.items()]
    lines.append(TAIL)
    for family, names in listed().items():
        lines.append(f"# {family}:\n")
        line = "#  "
        for name in names:
            if len(line) + len(name) > 112:
                lines.append(line.rstrip() + "\n")
                line = "#  "
            line += f" {name};"
        lines.append(line.rstrip(";") + "\n")
    return "".join(lines)
