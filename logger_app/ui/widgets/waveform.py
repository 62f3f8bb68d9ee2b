"""The sound as a waveform with words under it, on the same time axis as the trace above."""

from __future__ import annotations

import numpy as np
from kivy.graphics import Color, Line, Mesh
from kivy.metrics import dp, sp
from kivy.properties import ObjectProperty

from logger_app.ui.theme import CURRENT
from logger_app.ui.widgets.timeline import AMBER, TimeAxis, draw_text


class WaveformView(TimeAxis):
    """The waveform of the stretch on show. `shape` is from `review.peaks`, None where there is no sound."""

    shape = ObjectProperty(None, allownone=True, comparator=lambda a, b: a is b)

    def __init__(self, **kw):
        super().__init__(**kw)
        self.bind(shape=self.redraw)

    def draw(self, view) -> None:
        foot = self.y + dp(22)
        middle, half = (foot + self.top) / 2, (self.top - foot) / 2 - dp(2)
        Color(*CURRENT.line)
        Line(points=[self.left, middle, self.right - dp(12), middle], width=1)
        if self.shape is None:
            draw_text("no sound of this stretch", (self.left + self.right) / 2, middle, sp(14), CURRENT.quiet)
        elif len(self.shape):
            self._wave(middle, half)
        self.draw_cursor(foot, self.top)
        self._words(view, foot)

    def _wave(self, middle: float, half: float) -> None:
        # Quiet cockpits are drawn larger, so that words can be seen.
        loud = max(0.02, float(np.abs(self.shape).max()))
        x = np.linspace(self.left, self.right - dp(12), len(self.shape))
        vertices = np.zeros((2 * len(x), 4), np.float32)
        vertices[0::2, 0] = vertices[1::2, 0] = x
        vertices[0::2, 1] = middle + half * self.shape[:, 0] / loud
        vertices[1::2, 1] = middle + half * self.shape[:, 1] / loud + 1
        Color(*CURRENT.main)
        Mesh(vertices=vertices.reshape(-1).tolist(), indices=list(range(2 * len(x))), mode="lines")

    def _words(self, view, foot: float) -> None:
        """A word under each call; where they would overlap, the one that is looked at wins."""
        taken: list[tuple[float, float]] = []
        for dot in sorted(view.dots, key=lambda d: (not d.here, not d.flagged, d.at_s)):
            x, width = self.x_of(dot.at_s), sp(8) * len(dot.text) + dp(6)
            if any(a < x + width / 2 and x - width / 2 < b for a, b in taken):
                continue
            taken.append((x - width / 2, x + width / 2))
            Color(*(CURRENT.main if dot.here else AMBER if dot.flagged else CURRENT.line))
            Line(points=[x, foot, x, foot + dp(8)], width=dp(1.2))
            draw_text(dot.text, x, self.y, sp(15), CURRENT.text if dot.here or dot.flagged else CURRENT.quiet)
