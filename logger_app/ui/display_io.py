"""The display as it was set in preflight, kept in the user's folder."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from logger_app.io.files import make_folder, read_text, write_text
from logger_app.io.resources import user_dir
from logger_app.ui.theme import Display

FILE = "display.json"


def load_display(folder: Path | None = None) -> Display:
    """The kept display, or the default where none was kept or the file cannot be read."""
    path = (folder or user_dir()) / FILE
    try:
        return Display(**json.loads(read_text(path)))
    except (OSError, ValueError, TypeError, RecursionError):
        return Display()


def save_display(display: Display, folder: Path | None = None) -> Path:
    """Keep the display; written whole or not at all."""
    folder = folder or user_dir()
    make_folder(folder)
    return write_text(folder / FILE, json.dumps(asdict(display), indent=1))
