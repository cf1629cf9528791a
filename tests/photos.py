"""Photos drawn for tests, of our own invention."""

from __future__ import annotations

from pathlib import Path

from PIL import Image, ImageDraw

CAMERA = "a camera of the harbour"


def draw_photo(file: Path, size: tuple[int, int] = (320, 240), *, turned: bool = False) -> None:
    """A can on a board. A JPEG also says which camera and where, and ``turned`` that it lies on its side."""
    image = Image.new("RGB", size, (70, 80, 60))
    draw = ImageDraw.Draw(image)
    draw.ellipse((size[0] // 4, size[1] // 8, size[0] // 2, size[1] // 2), fill=(150, 150, 155))
    draw.rectangle((0, 0, size[0] // 8, size[1] // 8), fill=(250, 0, 0))  # the corner that tells which way is up
    if file.suffix == ".png":
        image.save(file)
        return
    said = Image.Exif()
    said[0x010F] = CAMERA
    said[0x0112] = 6 if turned else 1
    said.get_ifd(0x8825)[2] = (54.0, 19.0, 12.5)  # latitude
    image.save(file, "JPEG", exif=said)
