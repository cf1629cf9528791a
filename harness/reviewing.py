"""A review from a record's file and the limits file beside it; values proposed for what is not read yet."""

from __future__ import annotations

from pathlib import Path

from harness.judge.limits_file import limits_for
from harness.judge.review import Review, review
from netlists.proposals import Proposed, propose
from netlists.record import load_record, read_toml


def review_file(file: Path, limits_file: Path | None = None) -> Review:
    """Reads a record without simulating it.

    Parameters
    ----------
    limits_file : whose acceptances count; None: the one beside the record, where there is one

    Raises
    ------
    RecordError : with all findings of the record, or of the limits file
    """
    record = load_record(file)
    return review(record, limits_for(record, file, limits_file).accepted)


def proposals_of(file: Path) -> Proposed:
    """Values that could stand where a record has none; RecordError for any fault but values not read yet."""
    return propose(*read_toml(file))
