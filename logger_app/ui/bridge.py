"""From the session's threads to Kivy's: looks at the session at a steady rate, on Kivy's own clock.

Nothing is pushed into Kivy from another thread; a screen that is slow only shows things later.
"""

from __future__ import annotations

from collections.abc import Callable

# Words are drawn at most this much late; what has not changed is not drawn again.
LOOKS_PER_S = 20.0


class Bridge:
    """Calls `show(snapshot)` and `cue(cue)` on Kivy's thread until `stop`; `over()` when a played recording has ended."""

    def __init__(self, session, show: Callable, cue: Callable, over: Callable[[], object] = lambda: None):
        self.session, self.show, self.cue, self.over = session, show, cue, over
        self._event = None

    def start(self) -> None:
        """Begin to look."""
        from kivy.clock import Clock

        self._event = Clock.schedule_interval(self.look, 1.0 / LOOKS_PER_S)

    def stop(self) -> None:
        """Stop looking."""
        if self._event:
            self._event.cancel()
            self._event = None

    def look(self, *_) -> None:
        """One look: cues first, then the state that they belong to."""
        for cue in self.session.take_cues():
            self.cue(cue)
        snapshot = self.session.snapshot()
        self.show(snapshot)
        if snapshot.ended:
            self.over()
