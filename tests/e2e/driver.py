"""Drives a real Kivy app frame by frame in the test's own thread. Alone touches Kivy's private test parts.

A test waits for a condition while frames are drawn, never for seconds.
"""

from __future__ import annotations

import time
from pathlib import Path


class Pilot:
    """A finger and an eye for an app."""

    def __init__(self, app, window):
        from kivy.base import EventLoop

        self.app, self.window, self.loop = app, window, EventLoop
        app._run_prepare()  # build, add the root, start the event loop; no main loop (Kivy 2.3)
        self.frames(3)

    @property
    def root(self):
        """The app's root widget."""
        return self.app.root

    def frames(self, n: int = 1) -> None:
        """Let n frames pass."""
        for _ in range(n):
            self.loop.idle()

    def until(self, condition, timeout_s: float = 60.0) -> None:
        """Draw until a condition holds; fails after a while."""
        began = time.monotonic()
        while not condition():
            self.loop.idle()
            if time.monotonic() > began + 0.2:
                time.sleep(0.03)  # a long wait is for a thread: drawing all the time would take its processor
            if time.monotonic() > began + timeout_s:
                raise AssertionError(f"still not so after {timeout_s:g} s: {condition}")

    def still(self, widget) -> None:
        """Draw until a widget has not moved from one frame to the next: a touch on what still moves falls beside it."""
        places = [None]

        def same():
            places.append(widget.to_window(*widget.center))
            return places[-1] == places[-2]

        self.until(same)

    def tap(self, widget) -> None:
        """Touch a widget in its middle."""
        from kivy.tests.common import UnitTestTouch

        self.still(widget)
        touch = UnitTestTouch(*widget.to_window(*widget.center))
        touch.touch_down()
        self.frames(1)
        touch.touch_up()
        self.frames(2)

    def shot(self, path: Path) -> Path:
        """A screenshot as PNG at exactly this path."""
        self.frames(2)
        path = Path(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        made = Path(self.window.screenshot(name=str(path)))  # Kivy adds a number to the name
        made.replace(path)
        return path

    def close(self) -> None:
        """End the app and clear the window for the next one."""
        self.app.stop()
        self.frames(1)
        for child in self.window.children[:]:
            self.window.remove_widget(child)
