"""Where the fonts for pictures and the PDF are: those that come with Kivy, which have letters for more than English."""

from __future__ import annotations

import importlib.util
from pathlib import Path


def font_folder() -> Path | None:
    """Where Kivy keeps its fonts, found without importing Kivy; None when it is not installed."""
    found = importlib.util.find_spec("kivy")
    folder = Path(found.origin).parent / "data" / "fonts" if found and found.origin else None
    return folder if folder and folder.is_dir() else None
