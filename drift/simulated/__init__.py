"""What simulation says about the printed intervals: the committed tables, searched for the design nearest to a user's.

Only the standard library is needed to look a row up, so that a page of the handbook costs nothing.
"""

from drift.simulated.designs import Design, parse
from drift.simulated.tables import FAR, SHORT, Simulated, coverage_lines, nearest, rows_of

__all__ = ["FAR", "SHORT", "Design", "Simulated", "coverage_lines", "nearest", "parse", "rows_of"]
