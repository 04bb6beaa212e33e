"""Questions, limits and plan fixed in advance: their hash, who fixed them and when, and what changed since."""

from drift.lock.canonical import GROUPS, fixed_settings, sha256_of
from drift.lock.result import LockResult, check_lock, lock_study, lock_tables
from drift.lock.state import LockState, lock_state
from drift.lock.store import LOCK_FILE, LockEntry, append_entry, read_entries

__all__ = ["GROUPS", "LOCK_FILE", "LockEntry", "LockResult", "LockState", "append_entry", "check_lock",
           "fixed_settings", "lock_state", "lock_study", "lock_tables", "read_entries", "sha256_of"]
