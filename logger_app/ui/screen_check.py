"""Is there a display at all? Asked before Kivy is imported, because it would not say."""

from __future__ import annotations

import os
import sys

from logger_app.errors import CaptureError


def need_screen(verb: str, otherwise: str = "") -> None:
    """Refuse in one sentence where no window could be seen.

    Raises
    ------
    CaptureError
        On Linux without an X or Wayland display: the window library would draw into nothing, unseen.
    """
    if not sys.platform.startswith("linux") or os.environ.get("SDL_VIDEODRIVER") == "offscreen":
        return
    if not os.environ.get("DISPLAY") and not os.environ.get("WAYLAND_DISPLAY"):
        raise CaptureError(
            f"kneecall {verb}: got no display (DISPLAY and WAYLAND_DISPLAY are empty); needs a screen to draw on.",
            hint=otherwise,
        )
