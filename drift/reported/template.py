"""The commented template of a claim file."""

from __future__ import annotations

from drift.reported.claims import CONVENTIONS, DESIGNS
from drift.reported.strings import ROUNDINGS
from drift.reported.vocabulary import listed

HEAD = '''# Printed numbers of one paper, to be held against each other. Put the paper's in place of the invented ones,
# delete what it does not print, and run: drift review THIS_FILE
# Copy every number as it is printed: 0.90 says more than 0.9. Lines that start with # are comments.

[paper]
title = "An invented example"
invented = true              # leave out for a real paper
n = 15                       # units (participants, sensors); leave out if not said
k = 2                        # measurements of each unit, such as sessions or raters; leave out if not said
level = "95 %"               # of its intervals, if said
# design = "complete"        # {designs}
# rounding = "nearest"       # {roundings}
# decimal = "comma"          # if 1,234 means 1.234
# m = 1                      # readings averaged in each number; 1 if none were
# method = "F"               # how intervals of ICCs were made, if said
# kind = "agreement"         # of an ICC, SEM or MDC whose kind the table does not say, if the text does

# One [[claims]] for each number, with its interval if it has one. Numbers of one table and group are held against
# each other; numbers of other people belong into a group of their own: group = "left foot".
[[claims]]
what = "mean 1 (SD)"
printed = "213.0 (21.8)"
table = "Table 2"

[[claims]]
what = "mean 2 (SD)"
printed = "212.6 (26.8)"
table = "Table 2"

[[claims]]
what = "bias"
printed = "0.40 (-8.15 to 8.95)"
table = "Table 2"

[[claims]]
what = "limits of agreement"
printed = "-29.9 to 30.7"
table = "Table 2"

[[claims]]
what = "ICC(2,1)"
printed = "0.81 (0.52 to 0.93)"
table = "Table 2"

[[claims]]
what = "SEM"
printed = "10.9"
table = "Table 2"

[[claims]]
what = "MDC95"
printed = "30.3"
table = "Table 2"

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

# A claim may also say (only what the paper says; the more it says, the more can contradict and not only ask):
'''
TAIL = '''#   n, k, m          numbers of its own, where they differ from [paper]
#   level            of its interval: "90 %"
#   item             which one of several: "laboratory 3"
#   word             the paper's word for a coefficient: poor, moderate, good, excellent
# The same may be a CSV with the columns what, printed, table, group, n, k, ...

# What a number can be (other names of the field are understood too; ICC(2,1) is ICC(A,1), ICC(3,1) is ICC(C,1);
# a mean or bias with its spread: "mean (SD)", "mean 1 (SE)", "bias (SD)"):
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
