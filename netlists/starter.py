"""Writes the commented starter of a record."""

from __future__ import annotations

import re
from pathlib import Path

from netlists.errors import OptionError, StoreError
from netlists.quantity import shown

STARTER = Path(__file__).with_name("starter.toml")


def write_starter(name: str, folder: Path) -> Path:
    """Writes NAME.toml into a folder; an existing file is never overwritten.

    Raises
    ------
    OptionError : the name is none of a record, or the file exists
    StoreError : the file cannot be written
    """
    text = starter_text(name)
    file = folder / f"{name}.toml"
    try:
        with file.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError as error:
        raise OptionError(f"{file}: exists already and is kept; choose another name or move it away") from error
    except OSError as error:
        raise StoreError(f"{file}: cannot be written: {error.strerror}") from error
    return file


def starter_text(name: str) -> str:
    """The starter of a record of that name; OptionError where it is none of a record."""
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,62}", name):
        raise OptionError(
            f"NAME: must be lower-case letters, digits and hyphens, such as kiln-900, found {shown(name)}"
        )
    text = STARTER.read_text(encoding="utf-8")
    return text.replace('name = "NAME"', f'name = "{name}"')
