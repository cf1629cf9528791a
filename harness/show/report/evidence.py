"""Photos of a record's parts as a page embeds them, with their notes, and what of the evidence cannot be shown."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from harness.show.report import texts
from harness.store.photos import PhotoError, is_photo, photo_path, small_photo
from netlists.errors import one_line
from netlists.record import SupplyRecord

MOST_BYTES = 2_000_000  # of all photos of a page; further ones are named

Place = tuple[str, str]  # instance and designator, which is empty for the instance's own evidence


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo for the template: a data address, its size in points, and what stands below it."""

    source: str
    width: int
    height: int
    name: str
    caption: str


@dataclass
class Evidence:
    """Of a whole record: pictures and names of other files by place, and a text for each that cannot be shown."""

    pictures: dict[Place, list[Picture]] = field(default_factory=dict)
    files: dict[Place, list[str]] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)


def evidence_of(record: SupplyRecord, file: Path | None) -> Evidence:
    """All evidence a record names, its photos read anew and scaled down; ``file`` None: nothing is looked for."""
    found, used = Evidence(), 0
    seen: set[tuple[Place, str]] = set()
    for place, name, caption in _named(record):
        if (place, name) in seen:
            continue
        seen.add((place, name))
        if file is None:
            found.files.setdefault(place, []).append(name)
            continue
        try:
            if not is_photo(name):
                photo_path(file, name)
                found.files.setdefault(place, []).append(name)
                continue
            if used >= MOST_BYTES:  # unread: a record may name any number of photos
                raise PhotoError("is left out, since the page would become too large")
            photo = small_photo(file, name)
            used += len(photo.data)
        except PhotoError as error:
            found.missing.append(f"{place[1] or place[0] or 'record'}: {one_line(name)} {error}")
            continue
        source = "data:image/jpeg;base64," + base64.b64encode(photo.data).decode("ascii")
        found.pictures.setdefault(place, []).append(Picture(source, photo.width, photo.height, name, caption))
    return found


def _named(record: SupplyRecord) -> Iterator[tuple[Place, str, str]]:
    """Place, file name and caption of all evidence: of instances, of parts, of single values."""
    for instance, stage in record.data.stages.items():
        yield from (((instance, ""), name, stage.note) for name in stage.evidence)
        for designator, part in stage.parts.items():
            yield from (((instance, designator), name, part.note) for name in part.evidence)
    for path, quantity in record.quantities.items():
        if quantity.evidence:
            parts = path.split(".")
            place = (
                (parts[1], parts[3])
                if parts[2:3] == ["parts"]
                else (parts[1], "")
                if parts[0] == "stages"
                else ("", "")
            )
            caption = ": ".join(filter(None, [texts.words(parts[-1]), quantity.note]))
            yield place, quantity.evidence, caption
