"""Findings about what did not come from the record's own file, told where it was given."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from netlists.errors import Finding, RecordError

Origins = dict[tuple[str, ...], tuple[str, int]]  # record path -> file or option, and line (0 where there is none)


@contextmanager
def told_where_given(origins: Origins, otherwise: str) -> Iterator[None]:
    """A finding at or below a path of ``origins`` names what gave it; others begin with the words ``otherwise``."""
    try:
        yield
    except RecordError as error:
        raise RecordError([_where_given(finding, origins, otherwise) for finding in error.findings]) from error


def _where_given(finding: Finding, origins: Origins, otherwise: str) -> Finding:
    place = tuple(finding.field.split("."))
    for length in range(len(place), 0, -1):
        if place[:length] in origins:
            return Finding(*origins[place[:length]], finding.field, finding.message)
    return replace(finding, message=f"{otherwise}: {finding.message}")
