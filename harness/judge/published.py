"""What a published report carries beside its text: the assessment with record and limits file, sealed.

A page holds the data as one block of gzip in base64 and two seals, both SHA-256: one of the data, one of the whole
page with that seal blanked. So a number changed by hand is noticed, in the data or in the text around them. A seal is
no signature: who edits a page can seal it anew. It shows a slip, not a forger.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import hashlib
import json
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from harness.judge.assess import finite
from harness.judge.state_file import check_state, parse_json
from netlists.errors import Finding, RecordError
from netlists.quantity import shown

SCHEMA = 1
LARGEST_PAGE = 100_000_000  # bytes; one of ten stages is some 5 MB
LARGEST_DATA = 200_000_000  # bytes, unpacked
BLANK = "0" * 64
_DATA = re.compile(r'<script type="application/gzip" id="bulkrail-data" data-sha256="([0-9a-f]{64})">([^<]*)</script>')
_SEAL = re.compile(r'<meta name="bulkrail-seal" content="([0-9a-f]{64})">')


@dataclass(frozen=True)
class Published:
    """The data of a report.

    Parameters
    ----------
    published_utc : when the page was written, ISO 8601
    instance : the only stage instance asked for; None: all
    record_file, record_text : name and content of the record;  limits_file, limits_text : empty where there is none
    assessment : as ``judge.assess`` writes it
    readings : what to measure next, as ``bulkrail next --json`` prints it; None where it was not asked
    errata : of this page and its forerunners, the oldest first, as ``judge.errata`` makes them
    """

    published_utc: str
    instance: str | None
    record_file: str
    record_text: str
    limits_file: str
    limits_text: str
    assessment: Mapping[str, Any]
    readings: Mapping[str, Any] | None = None
    errata: tuple[Mapping[str, Any], ...] = field(default=())

    def packed(self) -> tuple[str, str]:
        """The data as base64 of gzip, and its seal; equal data give equal text."""
        content = {"schema": SCHEMA, **{name: getattr(self, name) for name in self.__dataclass_fields__}}
        text = json.dumps(finite(content), allow_nan=False, separators=(",", ":")).encode()
        return base64.b64encode(gzip.compress(text, mtime=0)).decode(), hashlib.sha256(text).hexdigest()


def sealed(page: str) -> str:
    """A page whose seal is blank, with its seal in it."""
    digest = hashlib.sha256(page.encode()).hexdigest()
    return page.replace(f'<meta name="bulkrail-seal" content="{BLANK}">', _seal(digest), 1)


def _seal(digest: str) -> str:
    return f'<meta name="bulkrail-seal" content="{digest}">'


def read_published(path: Path) -> tuple[Published, str]:
    """The data of a report's page and their seal.

    Raises
    ------
    RecordError : one finding: it cannot be read, is no report, or was edited after it was published
    """
    page, file = _read(path), path.name
    block, seal = _DATA.search(page), _SEAL.search(page)
    if block is None or seal is None:
        _refuse(file, "not a report of bulkrail: it carries no sealed data")
    text = _unpacked(block[2], file)
    if hashlib.sha256(text).hexdigest() != block[1]:
        _refuse(file, "its data do not match their seal: they were changed after it was published")
    if hashlib.sha256(page.replace(seal[0], _seal(BLANK), 1).encode()).hexdigest() != seal[1]:
        _refuse(file, "the page does not match its seal: its text was changed after it was published")
    try:
        content = parse_json(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        _refuse(file, f"its data cannot be read: {error}")
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        found = shown(content.get("schema") if isinstance(content, dict) else content)
        _refuse(file, f"schema {found} is not known to this program, which reads schema {SCHEMA}")
    return _published(content, file), block[1]


def _read(path: Path) -> str:
    try:
        if path.is_file() and path.stat().st_size > LARGEST_PAGE:
            _refuse(path.name, f"must be at most {LARGEST_PAGE} bytes")
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise RecordError([Finding(str(path), 0, "", f"cannot be read: {error.strerror}")]) from error
    except UnicodeDecodeError as error:
        raise RecordError([Finding(path.name, 0, "", "must be UTF-8 text")]) from error


def _unpacked(block: str, file: str) -> bytes:
    try:
        unpacker = zlib.decompressobj(wbits=zlib.MAX_WBITS | 16)
        text = unpacker.decompress(base64.b64decode(block, validate=True), LARGEST_DATA)
    except (binascii.Error, zlib.error) as error:
        _refuse(file, f"its data cannot be read: {error}")
    if unpacker.unconsumed_tail:
        _refuse(file, f"its data must be at most {LARGEST_DATA} bytes")
    return text


_TEXTS = ("published_utc", "record_file", "record_text", "limits_file", "limits_text")


def _published(content: Mapping[str, Any], file: str) -> Published:
    """The data checked as far as they are used."""
    for name in _TEXTS:
        if not isinstance(content.get(name), str):
            _refuse(file, f"{name}: must be a text, found {shown(content.get(name))}")
    if not isinstance(content.get("instance"), str | None):
        _refuse(file, f"instance: must be a text or null, found {shown(content['instance'])}")
    errata = content.get("errata", [])
    if not isinstance(errata, list) or not all(isinstance(one, dict) for one in errata):
        _refuse(file, "errata: must be a list of tables")
    if not isinstance(content.get("assessment"), dict):
        _refuse(file, "assessment: missing")
    check_state(content["assessment"], file)
    texts = {name: content[name] for name in _TEXTS}
    return Published(
        **texts, instance=content.get("instance"), assessment=content["assessment"], readings=content.get("readings"),
        errata=tuple(errata),
    )  # fmt: skip


def _refuse(file: str, message: str) -> NoReturn:
    raise RecordError([Finding(file, 0, "", message)])
