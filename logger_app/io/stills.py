"""Saved pictures of comparisons that carry their own caption, so that the two can never be parted.

What a picture shows is JSON in a text of the PNG itself (an iTXt chunk: Portable Network Graphics
Specification, third edition, section 11.3.3.4, from memory). The compare screen and `kneecall compare` write
such pictures, the report reads them. Nothing in them is believed unread: kinds and lengths are checked.

Main names: `save_picture`, `read_pictures`.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path

from logger_app.io.files import complete_file, make_folder, read_bytes
from logger_app.records.stills import SavedPicture, SavedShot, SavedSide

STILLS_DIR = "results/compare"  # in a campaign
KEYWORD = "kneecall comparison"
MAX_PIXELS = 60_000_000
LONGEST_TEXT = 1000
MAX_ENTRIES = 400


def save_picture(path: Path, image, about: SavedPicture) -> Path:
    """Write a picture with what it shows, whole or not at all.

    Parameters
    ----------
    path : Path
        PNG to write; its folder is made if need be.

    Raises
    ------
    OSError
        It cannot be written; an older file is untouched.
    """
    from PIL.PngImagePlugin import PngInfo

    text = PngInfo()
    body = {key: value for key, value in asdict(about).items() if key != "file"}
    text.add_itxt(KEYWORD, json.dumps(body, ensure_ascii=False, allow_nan=False))
    make_folder(path.parent)
    with complete_file(path) as part:
        image.save(part, "PNG", pnginfo=text)
    return path


def read_pictures(folder: Path, width_px: int, quality: int) -> tuple[list[tuple[SavedPicture, bytes]], list[str]]:
    """All saved pictures of a folder, made small for a page, and what could not be taken.

    Parameters
    ----------
    folder : Path
        Where pictures are saved; need not be there.
    width_px : int
        Widest that they may be [px].
    quality : int
        Of the JPEG [%].

    Returns
    -------
    tuple of (list of (SavedPicture, bytes), list of str)
        Pictures as JPEG in order of file name, and one sentence for each file that was left out.
    """
    from PIL import Image

    found, troubles = [], []
    for path in sorted(folder.glob("*.png")):
        try:
            with Image.open(io.BytesIO(read_bytes(path)), formats=["PNG"]) as image:
                if image.width * image.height > MAX_PIXELS:
                    raise ValueError(
                        f"{image.width} x {image.height} pixels; expected at most {MAX_PIXELS // 10**6} million"
                    )
                image.load()  # texts may come after the picture
                about = _about(getattr(image, "text", {}).get(KEYWORD), path.name)
                found.append((about, small_jpeg(image, width_px, quality)))
        except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as err:
            troubles.append(f"{path}: left out of the report ({err})")
    return found, troubles


def small_jpeg(image, width_px: int, quality: int) -> bytes:
    """A picture as a JPEG no wider than that, without what its file says besides."""
    from PIL import Image

    small = image.convert("RGB")
    if small.width > width_px:
        small = small.resize((width_px, max(1, round(small.height * width_px / small.width))), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=quality)
    return out.getvalue()


def _about(text: str | None, name: str) -> SavedPicture:
    if text is None:
        raise ValueError("it has no caption; expected one saved by the compare screen or `kneecall compare`")
    try:
        body = json.loads(text)
    except RecursionError as err:
        raise ValueError("its caption cannot be read") from err
    sides = []
    for side in _list(body, "sides"):
        shots = []
        for shot in _list(side, "shots"):
            stations = [
                (_text(s[0]), _text(s[1]), bool(s[2]))
                for s in _list(shot, "stations")
                if isinstance(s, list) and len(s) == 3
            ]
            shots.append(_record(SavedShot, shot, stations=tuple(stations)))
        sides.append(_record(SavedSide, side, shots=tuple(shots)))
    return _record(SavedPicture, body, sides=tuple(sides), file=name)


def _list(body, key: str) -> list:
    value = body.get(key) if isinstance(body, Mapping) else None
    if not isinstance(value, list) or len(value) > MAX_ENTRIES:
        raise ValueError(f"its caption cannot be read: {key}")
    return value


def _record(kind, body, **made):
    """A record of `kind`: texts, whole numbers and numbers of `body` checked by what the field says."""
    if not isinstance(body, Mapping):
        raise ValueError("its caption cannot be read")
    values = dict(made)
    for field in fields(kind):
        if field.name not in body or field.name in made:
            continue
        value = body[field.name]
        if field.type == "str":
            values[field.name] = _text(value)
        elif value is None and "None" in field.type:
            values[field.name] = None
        elif (
            isinstance(value, (int, float))
            and not isinstance(value, bool)
            and math.isfinite(value)
            and abs(value) < 1e9
        ):
            values[field.name] = int(value) if field.type == "int" else float(value)
        else:
            raise ValueError(f"its caption cannot be read: {field.name}")
    try:
        return kind(**values)
    except TypeError as err:
        raise ValueError("its caption is incomplete") from err


def _text(value) -> str:
    if not isinstance(value, str):
        raise ValueError("its caption cannot be read")
    return value[:LONGEST_TEXT]
