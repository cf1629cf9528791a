"""Photos beside a record: where they may lie, what they must be, and a small copy to publish. The only user of Pillow.

A copy is drawn anew from the picture's points alone, so what a camera wrote beside them (the place above all) is not
published.
"""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from netlists.errors import OptionError
from netlists.quantity import shown

FORMATS = ("PNG", "JPEG")
ENDINGS = (".png", ".jpg", ".jpeg")
LARGEST_BYTES = 30_000_000
MOST_POINTS = 40_000_000
PUBLISHED_SIDE = 640  # points of the longer side, enough to read a print on a part
PUBLISHED_QUALITY = 72


class PhotoError(Exception):
    """Why a photo cannot be used; a few words."""


@dataclass(frozen=True, slots=True)
class Photo:
    """A small JPEG for a page, with its size in points."""

    name: str
    data: bytes
    width: int
    height: int


def photo_path(record_file: Path, name: str) -> Path:
    """Where a photo a record names lies: in the record's folder or below it.

    Raises
    ------
    PhotoError : it is not there, or the name or a link leads out of the folder
    """
    folder = record_file.resolve().parent
    named = Path(name)
    if not name.strip() or "\0" in name or named.is_absolute() or ".." in named.parts or "\\" in name:
        raise PhotoError("must be a path in the record's folder")
    try:
        place = (folder / named).resolve()
        if not place.is_relative_to(folder):
            raise PhotoError("a link leads out of the record's folder")
        if not place.is_file():
            raise PhotoError("is not in the record's folder")
    except (OSError, RuntimeError) as error:  # too long a name, or links in a circle
        raise PhotoError("cannot be read") from error
    return place


def small_photo(record_file: Path, name: str) -> Photo:
    """A copy of a photo for a page, upright, without anything a camera wrote into it.

    Raises
    ------
    PhotoError : not there, not in the folder, no PNG or JPEG, too large, or damaged
    """
    place = photo_path(record_file, name)
    try:
        if place.stat().st_size > LARGEST_BYTES:
            raise PhotoError(f"is larger than {LARGEST_BYTES // 1_000_000} MB")
        data = place.read_bytes()
    except OSError as error:
        raise PhotoError(f"cannot be read: {error.strerror}") from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of Pillow, about sizes; ours are checked below
            with Image.open(io.BytesIO(data), formats=FORMATS) as image:
                if image.width * image.height > MOST_POINTS:
                    raise PhotoError(f"has more than {MOST_POINTS // 1_000_000} million points")
                image.draft("RGB", (2 * PUBLISHED_SIDE, 2 * PUBLISHED_SIDE))
                return _published(name, image)
    except PhotoError:
        raise
    except UnidentifiedImageError as error:
        raise PhotoError("is no PNG or JPEG") from error
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise PhotoError("is damaged or cut short") from error


def _published(name: str, image: Image.Image) -> Photo:
    small = image.convert("RGBA")
    small.thumbnail((PUBLISHED_SIDE, PUBLISHED_SIDE))
    upright = ImageOps.exif_transpose(small)
    plain = Image.new("RGB", upright.size, "white")
    plain.paste(upright, mask=upright.getchannel("A"))
    stream = io.BytesIO()
    plain.save(stream, "JPEG", quality=PUBLISHED_QUALITY, optimize=True)
    return Photo(name, stream.getvalue(), plain.width, plain.height)


def is_photo(name: str) -> bool:
    """Whether evidence goes by a photo's name; other evidence, such as a capture, is named and not shown."""
    return Path(name).suffix.lower() in ENDINGS


def check_evidence(option: str, record_file: Path, name: str) -> None:
    """OptionError where evidence is not there or a photo cannot be published: asked before a record names it."""
    try:
        if is_photo(name):
            small_photo(record_file, name)
        else:
            photo_path(record_file, name)
    except PhotoError as error:
        raise OptionError(f"{option}: {shown(name)} {error}") from error
