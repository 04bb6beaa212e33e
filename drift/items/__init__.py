"""What reporting guidelines ask of a study, filled from its data and from what was typed once."""

from drift.items.evidence import Evidence
from drift.items.filled import GRADES, Filled
from drift.items.lists import Item, ItemList, all_lists, chosen_lists
from drift.items.result import (
    GRADES_TABLE,
    LISTS_TABLE,
    TABLE,
    ItemsResult,
    Line,
    fill,
    items_of_run,
    items_tables,
    lists_result,
    summary_sentence,
    unknown_confirmed,
)

__all__ = ["GRADES", "GRADES_TABLE", "LISTS_TABLE", "TABLE", "Evidence", "Filled", "Item", "ItemList", "ItemsResult",
           "Line", "all_lists", "chosen_lists", "fill", "items_of_run", "items_tables", "lists_result",
           "summary_sentence", "unknown_confirmed"]
