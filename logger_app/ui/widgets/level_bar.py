"""The microphone's level: a bar of blocks and a word."""

from __future__ import annotations

from kivy.graphics import Color, Rectangle
from kivy.properties import ColorProperty, NumericProperty
from kivy.uix.widget import Widget

BLOCKS = 12


class LevelBar(Widget):
    """`level` from 0 to 1, in blocks so that a trembling level does not redraw the screen."""

    level = NumericProperty(0.0)
    colour = ColorProperty((0, 0, 0, 1))
    off_colour = ColorProperty((0.5, 0.5, 0.5, 1))

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._lit = -1
        for name in ("pos", "size", "colour", "off_colour"):
            self.fbind(name, self._redraw)
        self.fbind("level", self._step)

    def _step(self, *_) -> None:
        if round(self.level * BLOCKS) != self._lit:
            self._redraw()

    def _redraw(self, *_) -> None:
        self._lit = round(self.level * BLOCKS)
        wide = self.width / BLOCKS
        self.canvas.clear()
        with self.canvas:
            for k in range(BLOCKS):
                lit = k < self._lit
                Color(*(self.colour if lit else self.off_colour))
                high = self.height * (0.7 if lit else 0.14)
                Rectangle(pos=(self.x + k * wide, self.y + (self.height - high) / 2), size=(0.7 * wide, high))
