"""Open a file or folder with the program that the system has for it: the report in the browser, a folder in the file manager."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import webbrowser
from pathlib import Path


def open_path(path: Path) -> str:
    """Open it; gives nothing, or a sentence that says what could not be opened and where it is."""
    path = Path(path).resolve()
    if not path.exists():
        return f"{path} does not exist yet."
    if path.suffix in (".html", ".htm") and webbrowser.open(path.as_uri()):
        return ""
    try:
        if sys.platform == "win32":
            os.startfile(path)  # type: ignore[attr-defined]
            return ""
        opener = "open" if sys.platform == "darwin" else shutil.which("xdg-open")
        if opener:
            subprocess.Popen(
                [opener, str(path)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            return ""
    except OSError as err:
        return f"{path} could not be opened ({err.strerror or err})."
    return f"No program was found to open {path}."
