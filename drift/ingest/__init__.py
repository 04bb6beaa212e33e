"""Reading tables: files in, validated immutable tables and findings out."""

from __future__ import annotations

from drift.ingest.accounts import account_rows, excluded_rows
from drift.ingest.pseudonyms import (
    person_codes,
    pseudonymise,
    pseudonymise_findings,
    pseudonymise_text,
    pseudonymise_where,
)
from drift.ingest.reading import Reading, open_study, read_one_table, read_tables, read_with
from drift.ingest.select import select_where
from drift.ingest.wide import WideReading, read_wide_table
from drift.ingest.wide_pairs import PairedReading, read_paired_table

__all__ = ["PairedReading", "Reading", "WideReading", "account_rows", "excluded_rows", "open_study", "person_codes",
           "pseudonymise", "pseudonymise_findings", "pseudonymise_text", "pseudonymise_where", "read_one_table",
           "read_paired_table", "read_tables", "read_wide_table", "read_with", "select_where"]
