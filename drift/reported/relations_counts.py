"""Relations 0 and 45 to 47: order of an interval, granularity, counts, duplicates."""

from __future__ import annotations

from drift.reported.relation import Relation, exact

GRIM = "Brown and Heathers (2017), Social Psychological and Personality Science 8:363-369 (GRIM)"
GRIMMER = "Anaya (2016), PeerJ Preprints 4:e2400v1 (GRIMMER)"


def relations() -> list[Relation]:
    """Return the relations of this family."""
    return [
        Relation(0, "", "a value lies inside its interval", "I", (), finder="inside_own_interval"),
        Relation(0, "b", "the same number printed twice", "E", (), finder="printed_twice"),
        Relation(0, "c", "a number is one that its quantity can be", "I", (), finder="within_domain"),
        Relation(45, "a", "a mean of readings with a step is a multiple of step/n", "E", (), finder="mean_of_steps",
                 source=GRIM),
        Relation(45, "b", "an SD of readings with a step has a sum of squares in whole steps", "E", (),
                 finder="sd_of_steps", source=GRIMMER),
        Relation(46, "a", "means of groups make the overall mean", "E", (), finder="group_means"),
        Relation(46, "b", "means and SDs of groups make the overall SD", "E", (), finder="group_sds"),
        Relation(46, "c", "a percentage of n is a whole number", "E", (), finder="percentages_whole"),
        exact(46, "d", "n x k is the readings, less losses", "E", "n_readings == n*k - lost",
              unless=("repeats",)),
        exact(46, "e", "n x k x repeats is the readings, less losses", "E", "n_readings == n*k*repeats - lost"),
        Relation(46, "f", "sizes of groups add up", "E", (), finder="group_sizes"),
        Relation(47, "a", "the same digits in several places", "V", (), finder="repeated_digits"),
        Relation(47, "b", "last digits", "V", (), finder="last_digits"),
        Relation(47, "c", "digits printed for one kind of number", "V", (), finder="digit_habits"),
    ]
