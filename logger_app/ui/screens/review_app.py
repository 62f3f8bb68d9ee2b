"""Opening the review screen: what must be settled before Kivy is imported. Main name: `open_review`."""

from __future__ import annotations

from logger_app.ui.app import prepare_kivy
from logger_app.ui.screen_check import need_screen
from logger_app.workflows.review import ReviewWorkflow

WIDTH, HEIGHT = 1280, 800


def open_review(workflow: ReviewWorkflow) -> int:
    """Review a flight in a window; returns 0 when it is closed. `CaptureError`: there is no display to open a window on."""
    need_screen("review", "`--list` prints the flight, and every correction has an option.")
    workflow.load()  # what is wrong with the flight is said before a window opens
    prepare_kivy(WIDTH, HEIGHT)
    from logger_app.ui.screens.review import FlightReviewApp

    FlightReviewApp(workflow).run()
    return 0
