"""The sensor ledger: one SQLite file that is only ever added to. Standard library only."""

from drift.ledger.place import is_network
from drift.ledger.store import KINDS, Entry, Ledger, Stored

__all__ = ["KINDS", "Entry", "Ledger", "Stored", "is_network"]
