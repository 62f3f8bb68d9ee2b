"""Kneecall in the menu of a Linux desktop: one entry and one icon in the user's own folders.

freedesktop.org, Desktop Entry Specification 1.5 and Icon Theme Specification 0.13, say what the files are and where they go.
"""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from pathlib import Path

from logger_app.errors import LoggerError
from logger_app.io.files import make_folder, read_bytes, write_bytes, write_text

ENTRY = Path("applications") / "kneecall.desktop"
ICON = Path("icons") / "hicolor" / "256x256" / "apps" / "kneecall.png"
_SOURCE = Path(__file__).resolve().parents[1] / "ui" / "icon" / "kneecall.png"


def data_home() -> Path:
    """Where the desktop looks for the user's own entries."""
    return Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")


def is_installed() -> bool:
    """Whether there is an entry already, or this system has no such menu."""
    return not sys.platform.startswith("linux") or (data_home() / ENTRY).is_file()


def entry_text() -> str:
    """The entry: what the menu shows and what it starts."""
    found = shutil.which("kneecall")
    words = (
        [sys.executable]
        if getattr(sys, "frozen", False)
        else [found]
        if found
        else [sys.executable, "-m", "logger_app"]
    )
    return (
        "[Desktop Entry]\nType=Application\nVersion=1.5\nName=Kneecall\n"
        "Comment=Stall tests by voice: plan, fly, hear, review, compare\n"
        f"Exec={shlex.join(words)}\nIcon=kneecall\nTerminal=false\nCategories=Science;Education;\n"
    )


def install() -> tuple[Path, Path]:
    """Write entry and icon; older ones are replaced.

    Raises
    ------
    LoggerError
        This system has no such menu.
    """
    if not sys.platform.startswith("linux"):
        raise LoggerError("Menu entries are made on Linux only; elsewhere make a shortcut to `kneecall`.")
    entry, icon = data_home() / ENTRY, data_home() / ICON
    for path in (entry, icon):
        make_folder(path.parent)
    write_text(entry, entry_text())
    write_bytes(icon, read_bytes(_SOURCE, through_links=True))
    return entry, icon
