"""Reads the tables of a file that lies beside a record, and collects what is wrong with them, each with its line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from netlists.errors import Finding, nearest
from netlists.quantity import QuantityError, read_value, shown
from netlists.toml_lines import line_of


class Checker:
    """Reads tables of one file and collects what is wrong with them."""

    def __init__(self, file: str, lines: Mapping[tuple[str, ...], int]) -> None:
        self.file, self._lines = file, lines
        self.findings: list[Finding] = []

    def fault(self, place: tuple[str, ...], message: str) -> None:
        self.findings.append(Finding(self.file, line_of(self._lines, place), ".".join(place), message))

    def table(self, place: tuple[str, ...], raw: object, allowed: Iterable[str] | None) -> Mapping[str, Any]:
        """A table with its unknown fields reported and left out; ``allowed`` None: names of the writer's own."""
        if not isinstance(raw, Mapping):
            self.fault(place, f"must be a table, found {shown(raw)}")
            return {}
        if allowed is None:
            return raw
        known = list(allowed)
        for key in raw:
            if key not in known:
                self.fault((*place, key), f"unknown field; {nearest(key, known)}")
        return {key: value for key, value in raw.items() if key in known}

    def text(self, place: tuple[str, ...], table: Mapping[str, Any], key: str, missing: str = "") -> str:
        """A text; ``missing`` says what it is for where it must be given."""
        value = table.get(key, "")
        if not isinstance(value, str):
            self.fault((*place, key), f"must be a text in quotes, found {shown(value)}")
            return ""
        if missing and not value.strip():
            self.fault((*place, key), f"missing; {missing}")
        return value.strip()

    def choice(self, place: tuple[str, ...], found: object, known: Iterable[str], what: str) -> bool:
        """Whether a name is known; reported where it is not."""
        names = list(known)
        if isinstance(found, str) and found in names:
            return True
        self.fault(place, f"unknown {what} {shown(found)}; {nearest(str(found), names)}")
        return False

    def positive(self, place: tuple[str, ...], raw: object, unit: str, most: float | None = None) -> float | None:
        """A value above 0; None where it was refused."""
        try:
            value = read_value(raw, unit)  # type: ignore[arg-type]  # refuses other types in words
        except QuantityError as error:
            self.fault(place, str(error))
            return None
        if value > 0 and (most is None or value <= most):
            return value
        unit_text = "" if unit == "1" else f" {unit}"
        rule = f"must be > 0{unit_text}" + ("" if most is None else f" and <= {most * 100:g} %")
        self.fault(place, f"{rule}, found {shown(raw)}")
        return None
