"""Every error a user can cause, as one tree. Imports nothing.

BulkrailError
├── InputError            what the user gave is wrong: exit code 2
│   ├── RecordError       a record, limits or capture file: one or several findings, each with file, line and field
│   └── OptionError       a command line option or an argument of the Python API
├── SetupError            the machine lacks something (libngspice, a writable folder): exit code 2
├── DeckError             text that may not reach the simulator
├── SimulationError       one run went wrong; the run is kept as failed, the batch goes on
└── StoreError            a results folder or a run file is unusable
    ├── SchemaError       a run file of a schema this program does not know
    └── DamagedRunError   a run file whose content does not match its checksums or is incomplete
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


class BulkrailError(Exception):
    """Base of all expected errors: shown as one line, never as a traceback."""


class InputError(BulkrailError):
    """The user's input is wrong (exit code 2)."""


class OptionError(InputError):
    """A command line option or an argument of the Python API is wrong."""


class SetupError(BulkrailError):
    """The machine lacks something the program needs (exit code 2)."""


class DeckError(BulkrailError):
    """Text that may not reach the simulator."""


class SimulationError(BulkrailError):
    """One run went wrong.

    Parameters
    ----------
    kind : short name of the failure, for example ``truncated`` or ``timestep``
    detail : one line for the user
    unfit : True where the simulator process must not be used again
    """

    def __init__(self, kind: str, detail: str, *, unfit: bool = False) -> None:
        super().__init__(f"{kind}: {detail}")
        self.kind = kind
        self.detail = detail
        self.unfit = unfit

    def __reduce__(self) -> tuple[object, ...]:
        return (_simulation_error, (self.kind, self.detail, self.unfit))


def _simulation_error(kind: str, detail: str, unfit: bool) -> SimulationError:
    return SimulationError(kind, detail, unfit=unfit)


class StoreError(BulkrailError):
    """A results folder or a run file is unusable."""


class SchemaError(StoreError):
    """A run file of a schema this program does not know."""


class DamagedRunError(StoreError):
    """A run file whose content does not match its checksums or is incomplete."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of a record: where it is, what rule it breaks, what was found.

    ``line`` is 0 where the fault has no line (a file that cannot be read).
    """

    file: str
    line: int
    field: str
    message: str

    def __str__(self) -> str:
        file = shortened(one_line(self.file), 80)
        place = f"{file}:{self.line}" if self.line else file
        if self.field:
            place = f"{place}: {shortened(one_line(self.field), 160)}"
        return shortened(f"{place}: {one_line(self.message)}", LONGEST_FINDING)


class RecordError(InputError):
    """One or several findings in a record, or in the limits file beside it, in the order of their lines."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(sorted(findings, key=lambda f: (f.file, f.line, f.field)))
        super().__init__("\n".join(str(finding) for finding in self.findings))


LONGEST_FINDING = 390
MOST_FINDINGS = 50  # of one record are told at once
MOST_NAMES_LISTED = 12
MOST_CHARACTERS_LISTED = 160


def one_line(text: str) -> str:
    """Text with everything made visible that could move a terminal's cursor or pretend to be another line.

    >>> one_line("a\\nb")
    'a\\\\nb'
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode() for c in text)


def shortened(text: str, longest: int) -> str:
    """Text of at most ``longest`` characters, with its cut shown."""
    return text if len(text) <= longest else text[: longest - 1] + "…"


def nearest(found: str, known: Iterable[str]) -> str:
    """Text that names what is allowed and the nearest known name, for an unknown one.

    >>> nearest("bridg", ["bridge", "half_wave"])
    'allowed: bridge, half_wave; nearest: bridge'
    """
    names = sorted(known)
    length, shown = 0, 0
    for name in names[:MOST_NAMES_LISTED]:
        length += len(name) + 2
        if shown and length > MOST_CHARACTERS_LISTED:
            break
        shown += 1
    listed = ", ".join(names[:shown]) or "nothing"
    if len(names) > shown:
        listed += f" and {len(names) - shown} more"
    close = difflib.get_close_matches(found[:80], names, n=1, cutoff=0.5)
    return f"allowed: {listed}" + (f"; nearest: {close[0]}" if close else "")
