"""How sheets are calibrated, prepared and worn, against common practice and against the data."""

from drift.protocol.remarks import (
    IN_LINE,
    LOOK,
    NOT_DECLARED,
    TABLE,
    UNKNOWN,
    Rule,
    protocol_remarks,
    rules,
    summary_sentence,
)

__all__ = ["IN_LINE", "LOOK", "NOT_DECLARED", "TABLE", "UNKNOWN", "Rule", "protocol_remarks", "rules",
           "summary_sentence"]
