"""Photographs of what was fitted: `photos/CONFIGURATION/*.jpg` in a campaign, made small for a page.

The small copy is upright and carries no more than its picture: what a camera notes of place and owner stays behind.
"""

from __future__ import annotations

import io
from pathlib import Path

from logger_app.io.files import read_bytes
from logger_app.io.stills import MAX_PIXELS, small_jpeg

PHOTOS_DIR = "photos"
ENDINGS = (".jpg", ".jpeg", ".png")
MAX_PHOTOS = 4  # of a configuration: what a reader takes in
WIDTH_PX, QUALITY = 1000, 78


def read_photos(folder: Path) -> tuple[list[tuple[str, str, bytes]], list[str]]:
    """(configuration, file name, small JPEG) of every photograph, and what could not be used."""
    from PIL import Image, ImageOps

    found, troubles = [], []
    for place in sorted(path for path in folder.glob("*") if path.is_dir() and not path.is_symlink()):
        files = sorted(path for path in place.glob("*") if path.suffix.lower() in ENDINGS)
        if len(files) > MAX_PHOTOS:
            troubles.append(f"{place}: {len(files)} photographs; the first {MAX_PHOTOS} are in the report")
        for path in files[:MAX_PHOTOS]:
            try:
                with Image.open(io.BytesIO(read_bytes(path)), formats=["JPEG", "PNG"]) as image:
                    if image.width * image.height > MAX_PIXELS:
                        raise ValueError(f"{image.width} x {image.height} pixels; expected at most {MAX_PIXELS}")
                    found.append((place.name, path.name, small_jpeg(ImageOps.exif_transpose(image), WIDTH_PX, QUALITY)))
            except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as err:
                troubles.append(f"{path}: left out of the report ({err})")
    return found, troubles
