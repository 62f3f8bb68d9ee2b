"""Opening the plan screen: what must be settled before Kivy is imported. Main name: `open_plan`."""

from __future__ import annotations

from pathlib import Path

from logger_app.ui.app import prepare_kivy
from logger_app.ui.screen_check import need_screen
from logger_app.workflows.planning import Flown, campaign_file, read_text

WIDTH, HEIGHT = 1280, 800


def open_plan(folder: Path, flown: Flown) -> int:
    """Open the plan of a campaign in a window; returns when it is closed.

    Raises
    ------
    CardError
        The file is missing or is no text.
    CaptureError
        There is no display to open a window on.
    """
    file = campaign_file(Path(folder))
    read_text(file)
    need_screen("plan", "Without --screen it prints the plan.")
    prepare_kivy(WIDTH, HEIGHT)
    from logger_app.ui.screens.plan import PlanScreenApp

    PlanScreenApp(file, flown.runs, flown.flights, flown.trouble).run()
    return 0
