"""Photos beside a record: what is taken, what is refused, and that no more is published than the picture."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from photos import CAMERA, draw_photo
from PIL import Image

from harness.store import photos
from harness.store.photos import PUBLISHED_SIDE, PhotoError, small_photo


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """A record's file in a folder of its own, below one with a photo that is none of its."""
    draw_photo(tmp_path / "secret.png")
    folder = tmp_path / "supply"
    (folder / "photos").mkdir(parents=True)
    return folder / "record.toml"


def test_a_photo_is_scaled_upright_and_says_nothing_else(record: Path) -> None:
    draw_photo(record.parent / "photos" / "c1.jpg", (1600, 1200), turned=True)
    original = (record.parent / "photos" / "c1.jpg").read_bytes()
    assert CAMERA.encode() in original
    photo = small_photo(record, "photos/c1.jpg")
    assert (photo.width, photo.height) == (PUBLISHED_SIDE * 3 // 4, PUBLISHED_SIDE)
    assert len(photo.data) < 60_000
    assert CAMERA.encode() not in photo.data
    assert b"Exif" not in photo.data
    with Image.open(io.BytesIO(photo.data)) as image:
        assert image.format == "JPEG"
        assert not image.getexif()
        red = image.convert("RGB").getpixel((image.width - 5, 5))  # turned by a quarter to the right
        assert red[0] > 200 > 60 > red[1]  # type: ignore[index]


def test_a_transparent_png_gets_a_white_ground(record: Path) -> None:
    Image.new("RGBA", (40, 30), (0, 0, 0, 0)).save(record.parent / "clear.png")
    photo = small_photo(record, "clear.png")
    with Image.open(io.BytesIO(photo.data)) as image:
        assert min(image.getpixel((20, 15))) > 250  # type: ignore[type-var]
    assert (photo.width, photo.height) == (40, 30)  # never enlarged


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("none.jpg", "is not in the record's folder"),
        ("../secret.png", "must be a path in the record's folder"),
        ("photos/../../secret.png", "must be a path in the record's folder"),
        ("/etc/hostname", "must be a path in the record's folder"),
        ("..\\secret.png", "must be a path in the record's folder"),
        ("", "must be a path in the record's folder"),
        ("a\0b.png", "must be a path in the record's folder"),
        ("x" * 5000 + ".png", "cannot be read"),
        ("photos", "is not in the record's folder"),
        ("link.png", "a link leads out"),
        ("round.png", "cannot be read"),
        ("text.jpg", "is no PNG or JPEG"),
        ("gif.png", "is no PNG or JPEG"),
        ("cut.jpg", "is damaged or cut short"),
        ("cut.png", "is damaged or cut short"),
        ("many.png", "million points"),
    ],
    ids=lambda value: value[:12].replace("\0", "NUL") if isinstance(value, str) else None,
)
def test_what_is_no_photo_of_the_record_is_refused(record: Path, name: str, says: str) -> None:
    folder = record.parent
    (folder / "link.png").symlink_to(folder.parent / "secret.png")
    (folder / "round.png").symlink_to(folder / "round.png")
    (folder / "text.jpg").write_text("no picture")
    Image.new("RGB", (9, 9)).save(folder / "gif.png", "GIF")
    for ending in ("jpg", "png"):
        draw_photo(folder / f"whole.{ending}", (400, 300))
        data = (folder / f"whole.{ending}").read_bytes()
        (folder / f"cut.{ending}").write_bytes(data[: len(data) // 2])
    Image.new("1", (8000, 8000)).save(folder / "many.png")
    with pytest.raises(PhotoError, match=says):
        small_photo(record, name)


def test_a_photo_larger_than_any_is_refused_unread(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    draw_photo(record.parent / "c1.png")
    monkeypatch.setattr(photos, "LARGEST_BYTES", 100)
    with pytest.raises(PhotoError, match="is larger than"):
        small_photo(record, "c1.png")
