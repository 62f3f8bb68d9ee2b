"""Drawn signs, because the bundled font has none: tick, again, stop, warn, full, dot."""

from __future__ import annotations

from kivy.graphics import Color, Ellipse, Line
from kivy.properties import ColorProperty, StringProperty
from kivy.uix.widget import Widget


class Sign(Widget):
    """One sign in the middle of its box; colour is never the only difference."""

    sign = StringProperty("dot")
    colour = ColorProperty((0, 0, 0, 1))

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for name in ("sign", "colour", "pos", "size"):
            self.fbind(name, self._draw)
        self._draw()

    def _draw(self, *_) -> None:
        r = 0.34 * min(self.width, self.height)
        # Not self.center: it is worked out after our own callback on size has run.
        x, y = self.x + self.width / 2, self.y + self.height / 2
        pen = max(1.5, 0.22 * r)
        self.canvas.clear()
        with self.canvas:
            Color(*self.colour)
            if self.sign == "tick":
                Line(points=[x - r, y, x - 0.3 * r, y - 0.7 * r, x + r, y + 0.8 * r], width=pen)
            elif self.sign == "again":
                Line(circle=(x, y, r, 40, 330), width=pen)
                Line(
                    points=[x + 0.1 * r, y + 1.35 * r, x + 0.75 * r, y + 0.72 * r, x - 0.05 * r, y + 0.35 * r],
                    width=pen,
                )
            elif self.sign == "stop":
                Line(points=[x - r, y - r, x + r, y + r], width=pen)
                Line(points=[x - r, y + r, x + r, y - r], width=pen)
            elif self.sign == "warn":
                Line(points=[x - r, y - 0.8 * r, x + r, y - 0.8 * r, x, y + r], width=pen, close=True)
                Line(points=[x, y + 0.35 * r, x, y - 0.2 * r], width=pen)
                Ellipse(pos=(x - pen, y - 0.62 * r - pen / 2), size=(2 * pen, 2 * pen))
            elif self.sign == "full":
                Ellipse(pos=(x - r, y - r), size=(2 * r, 2 * r))
            elif self.sign == "dot":
                Ellipse(pos=(x - 0.35 * r, y - 0.35 * r), size=(0.7 * r, 0.7 * r))
