"""Where the data that travels with the program lies: language packs and the demo.

In a wheel it sits inside the package (`_data`); in a checkout at the top level, beside it.
Also the user's own data folder, the only place outside a campaign that is ever written.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def data_dir(name: str) -> Path:
    """Folder of shipped data.

    Raises
    ------
    FileNotFoundError
        Neither the wheel nor the checkout holds it.
    """
    for folder in (_PACKAGE / "_data" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"{name}: not found beside the program; reinstall kneecall")


def user_dir() -> Path:
    """The user's data folder (recogniser models, pilot profiles); `KNEECALL_HOME` moves it."""
    if home := os.environ.get("KNEECALL_HOME"):
        return Path(home)
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA", Path.home())) / "kneecall"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "kneecall"
    return Path(os.environ.get("XDG_DATA_HOME", Path.home() / ".local" / "share")) / "kneecall"
