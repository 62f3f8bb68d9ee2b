"""Opening the compare screen: what must be settled before Kivy is imported. Main name: `open_compare`."""

from __future__ import annotations

from logger_app.ui.app import prepare_kivy
from logger_app.ui.hosting import hosted
from logger_app.ui.screen_check import need_screen
from logger_app.workflows.compare import WingComparison

WIDTH, HEIGHT = 1280, 800


def open_compare(comparison: WingComparison) -> int:
    """Compare runs in a window; returns 0 when it is closed. `CaptureError`: there is no display to open a window on."""
    if hosted(comparison):
        return 0
    need_screen("compare", "Without --screen it writes a sheet of stills, a clip and subtitles.")
    prepare_kivy(WIDTH, HEIGHT)
    from logger_app.ui.screens.compare import WingCompareApp

    WingCompareApp(comparison).run()
    return 0
