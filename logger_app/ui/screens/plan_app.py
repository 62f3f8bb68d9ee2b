"""Opening the plan screen: what must be settled before Kivy is imported. Main name: `open_plan`."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from logger_app.errors import CaptureError, LoggerError
from logger_app.ui.app import prepare_kivy
from logger_app.workflows.planning import Flown, campaign_file, read_text


def open_plan(folder: Path, flown: Flown) -> int:
    """Open the plan of a campaign in a window; returns when it is closed.

    Raises
    ------
    CardError
        The file is missing or is no text.
    LoggerError
        There is no display to open a window on.
    """
    file = campaign_file(Path(folder))
    read_text(file)
    # Without one, the window library draws into nothing, and nobody sees the screen.
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        raise LoggerError("There is no display to open the plan screen on; `kneecall plan DIR` prints the plan.")
    try:
        prepare_kivy(1280, 800)
    except CaptureError as err:
        raise LoggerError(
            "No window could be opened for the plan screen; `kneecall plan DIR` prints the plan."
        ) from err
    from logger_app.ui.screens.plan import PlanScreenApp

    PlanScreenApp(file, flown.runs, flown.flights, flown.trouble).run()
    return 0
