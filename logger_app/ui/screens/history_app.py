"""Opening the line of a design: what must be settled before Kivy is imported. Main name: `open_history`."""

from __future__ import annotations

from logger_app.ui.app import prepare_kivy
from logger_app.ui.screen_check import need_screen
from logger_app.workflows.history import History

WIDTH, HEIGHT = 1280, 800


def open_history(history: History) -> int:
    """Show the line in a window; returns when it is closed.

    Raises
    ------
    CaptureError
        There is no display to open a window on.
    """
    need_screen("report", "Without --screen it writes the report, which has the line of the design too.")
    prepare_kivy(WIDTH, HEIGHT)
    from logger_app.ui.screens.history import DesignHistoryApp

    DesignHistoryApp(history).run()
    return 0
