"""Opening the plan screen: what must be settled before Kivy is imported. Main name: `open_plan`."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from logger_app.errors import LoggerError
from logger_app.plan.cards_io import campaign_file, read_text


def open_plan(folder: Path, runs: Sequence = (), flights: Sequence = (), trouble: str = "") -> int:
    """Open the plan of a campaign in a window; returns when it is closed.

    Parameters
    ----------
    folder : Path
        Campaign folder or file [-].
    runs : sequence of StallSpeed
        What has been flown, reduced [-].
    flights : sequence of FlightInfo
        The flights, in order [-].
    trouble : str
        Why flights could not be read, if so [-].

    Returns
    -------
    int
        0 [-].

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
    if sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        raise LoggerError(
            "There is no display to open the plan screen on; `kneecall plan DIR` prints the plan."
        )
    for name in ("KIVY_NO_ARGS", "KIVY_NO_FILELOG", "KIVY_NO_CONSOLELOG"):
        os.environ.setdefault(name, "1")
    from kivy.config import Config

    Config.set("graphics", "width", "1280")
    Config.set("graphics", "height", "800")
    # A second finger or a right click must not draw dots.
    Config.set("input", "mouse", "mouse,disable_multitouch")
    from kivy.core.window import Window

    if Window is None:
        raise LoggerError(
            "No window could be opened for the plan screen; `kneecall plan DIR` prints the plan."
        )
    from logger_app.ui.screens.plan import PlanScreenApp

    PlanScreenApp(file, runs, flights, trouble).run()
    return 0
