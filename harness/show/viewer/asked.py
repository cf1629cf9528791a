"""What an address asks for, read strictly: unknown names, doubled ones, wrong types and wild ranges are refused."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

from harness.store.samples import SIGNAL_NAME
from netlists.errors import OptionError
from netlists.quantity import shown

Part = Literal["", "magnitude", "phase"]  # of a complex signal

MOST_TRACES = 24
MOST_COLUMNS = 8192
MOST_ROWS = 1000
LONGEST_TEXT = 200
LARGEST = 1e12  # s or Hz
_NUMBER = re.compile(r"[+-]?[0-9]{1,40}(?:\.[0-9]{0,40})?(?:[eE][+-]?[0-9]{1,3})?")
RUN_DIGITS = re.compile(r"[0-9a-f]{12,64}")
_TRACE = re.compile(r"([0-9a-f]{12,64}|file-[0-9a-f]{16}):([^:]{1,120}?)(?::(magnitude|phase))?")


@dataclass(frozen=True, slots=True)
class TraceName:
    """One line of the picture: of which run (first digits of its id) or dropped file, which signal, which part."""

    source: str
    signal: str
    part: Part = ""

    def __str__(self) -> str:
        return f"{self.source}:{self.signal}" + (f":{self.part}" if self.part else "")


class Query:
    """The pairs of an address; every name that was not asked for by the end is refused."""

    def __init__(self, pairs: Sequence[tuple[str, str]], allowed: Sequence[str]) -> None:
        for name, _ in pairs:
            if name not in allowed:
                raise OptionError(f"{shown(name)}: not known here; allowed: {', '.join(allowed)}")
        self._pairs = pairs

    def _of(self, name: str) -> str | None:
        given = [value for key, value in self._pairs if key == name]
        if len(given) > 1:
            raise OptionError(f"{name}: is given {len(given)} times")
        return given[0] if given else None

    def text(self, name: str) -> str | None:
        """A text as given; None where it is not."""
        found = self._of(name)
        if found is not None and len(found) > LONGEST_TEXT:
            raise OptionError(f"{name}: must have at most {LONGEST_TEXT} characters, found {len(found)}")
        return found

    def choice(self, name: str, allowed: Sequence[str], default: str) -> str:
        """One of some words."""
        found = self.text(name)
        if found is None:
            return default
        if found not in allowed:
            raise OptionError(f"{name}: must be one of {', '.join(allowed)}, found {shown(found)}")
        return found

    def number(self, name: str) -> float:
        """A finite number, SI."""
        found = self.optional_number(name)
        if found is None:
            raise OptionError(f"{name}: is missing")
        return found

    def optional_number(self, name: str) -> float | None:
        """The same, or None where it is not given."""
        found = self.text(name)
        if found is None:
            return None
        if not _NUMBER.fullmatch(found) or not abs(value := float(found)) <= LARGEST:
            raise OptionError(f"{name}: must be a number up to {LARGEST:g} either way, found {shown(found)}")
        return value

    def window(self) -> tuple[float, float]:
        """``from`` and ``to``, which must not be one."""
        start, stop = self.number("from"), self.number("to")
        if not start < stop:
            raise OptionError(f"from, to: must rise, found {start!r} and {stop!r}")
        return start, stop

    def whole(self, name: str, most: int, default: int) -> int:
        """A whole number from 0 to most."""
        found = self.text(name)
        if found is None:
            return default
        if not re.fullmatch(r"[0-9]{1,9}", found) or int(found) > most:
            raise OptionError(f"{name}: must be a whole number from 0 to {most}, found {shown(found)}")
        return int(found)

    def run(self, name: str) -> str:
        """First digits of a run's id."""
        found = self.text(name) or ""
        if not RUN_DIGITS.fullmatch(found):
            raise OptionError(f"{name}: must be 12 to 64 digits of a run's id (0-9, a-f), found {shown(found)}")
        return found

    def traces(self) -> list[TraceName]:
        """All ``trace``, each once, one at least."""
        texts = list(dict.fromkeys(value for key, value in self._pairs if key == "trace"))
        if not 1 <= len(texts) <= MOST_TRACES:
            raise OptionError(f"trace: 1 to {MOST_TRACES} must be given, found {len(texts)}")
        return [trace_name(text) for text in texts]


def trace_name(text: str) -> TraceName:
    """A trace as an address writes it, such as ``d2d7977a49f8:bulk_voltage``; OptionError where it is none."""
    match = _TRACE.fullmatch(text)
    if match is None or not SIGNAL_NAME.fullmatch(match[2]):
        raise OptionError(f"trace: must be RUN:SIGNAL with 12 to 64 digits of a run's id, found {shown(text)}")
    return TraceName(match[1], match[2], cast(Part, match[3] or ""))


def texts_of(content: object, allowed: Sequence[str]) -> dict[str, str]:
    """A JSON object of short texts under known names; OptionError where it is none."""
    if not isinstance(content, dict):
        raise OptionError(f"content: must be an object, found {shown(content)}")
    for name, value in content.items():
        if name not in allowed:
            raise OptionError(f"{shown(name)}: not known here; allowed: {', '.join(allowed)}")
        if not isinstance(value, str) or len(value) > LONGEST_TEXT:
            raise OptionError(f"{name}: must be a text of at most {LONGEST_TEXT} characters, found {shown(value)}")
    return dict(content)
