"""Proposals for unread values as TOML lines to paste, each with its numbers and formula above it."""

from __future__ import annotations

import itertools

from netlists.proposals import Proposal, Proposed, meaning, toml_line
from netlists.quantity import engineering

HEADER = """\
# Values that nobody has read yet, inferred from those that are. Usual proportions, not this unit's: look at each, paste
# its line into the table named above it, and replace it as soon as the part is measured.
"""


def proposals_text(found: Proposed) -> str:
    """Comments and lines; a record where nothing can be proposed gives one comment."""
    lines = [HEADER.rstrip()] if found.proposals else [f"# {found.record}: nothing is unread that a formula could give"]
    for table, group in itertools.groupby(found.proposals, key=lambda one: one.path.rsplit(".", 1)[0]):
        lines += ["", f"# into [{table}]"]
        for one in group:
            lines += [f"# {numbers(one)}: {meaning(one)}", toml_line(one)]
    if found.unread:
        lines += ["", "# not read, and no formula gives it:", *(f"#   {path}" for path in found.unread)]
    return "\n".join(lines) + "\n"


def numbers(one: Proposal) -> str:
    """Nominal value and range."""
    q = one.quantity
    return f"{engineering(q.nominal, q.unit, 3)} ({engineering(q.low, q.unit, 3)} to {engineering(q.high, q.unit, 3)})"
