"""The strip of calls: dots falling against time, the wanted band behind them, events as upright lines."""

from __future__ import annotations

from functools import lru_cache

from kivy.core.text import Label as CoreLabel
from kivy.graphics import Color, Ellipse, Line, Mesh, Rectangle
from kivy.properties import ColorProperty, NumericProperty, ObjectProperty
from kivy.uix.widget import Widget


@lru_cache(maxsize=400)
def _texture(text: str, font_px: float, bold: bool):
    label = CoreLabel(text=text, font_size=font_px, bold=bold)
    label.refresh()
    return label.texture


class CallStrip(Widget):
    """Draws a `StripView`."""

    strip = ObjectProperty(None, allownone=True)
    text_colour = ColorProperty((0, 0, 0, 1))
    line_colour = ColorProperty((0.5, 0.5, 0.5, 1))
    band_colour = ColorProperty((0.8, 0.9, 0.8, 1))
    ground_colour = ColorProperty((1, 1, 1, 1))
    font_px = NumericProperty(20)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for name in ("strip", "pos", "size", "text_colour", "font_px"):
            self.fbind(name, self._draw)

    def _draw(self, *_) -> None:
        self.canvas.clear()
        margin = 0.35 * self.font_px
        self._x0, self._y0 = self.x + 1.6 * self.font_px, self.y + margin
        self._w, self._h = self.right - margin - self._x0, self.top - margin - self._y0
        with self.canvas:
            Color(*self.line_colour)
            Line(points=[self._x0, self._y0 + self._h, self._x0, self._y0, self._x0 + self._w, self._y0], width=1.5)
            if self.strip and self._w > 0:
                self._draw_strip(self.strip)

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return self._x0 + x * self._w, self._y0 + y * self._h

    def _draw_strip(self, strip) -> None:
        if len(strip.band) >= 3:
            Color(*self.band_colour)
            vertices = [part for point in strip.band for part in (*self._at(*point), 0, 0)]
            Mesh(vertices=vertices, indices=list(range(len(strip.band))), mode="triangle_fan")
        self._events(strip.events)
        self._dots(strip.dots)
        for label, y in ((strip.high_label, 1.0), (strip.low_label, 0.0)):
            if label:
                self._text(label, self.x, self._y0 + y * (self._h - 1.1 * self.font_px), bold=False)

    def _dots(self, dots) -> None:
        r = 0.24 * self.font_px
        Color(*self.text_colour)
        points = [part for dot in dots for part in self._at(dot.x, dot.y)]
        if len(points) >= 4:
            Line(points=points, width=max(1.0, 0.06 * self.font_px))
        free_from = self._x0
        for k, dot in enumerate(dots):
            x, y = self._at(dot.x, dot.y)
            Color(*self.text_colour)
            Ellipse(pos=(x - r, y - r), size=(2 * r, 2 * r))
            if not dot.sure:  # hollow: heard, but not sure
                Color(*self.ground_colour)
                Ellipse(pos=(x - 0.6 * r, y - 0.6 * r), size=(1.2 * r, 1.2 * r))
            wide = 0.62 * self.font_px * len(dot.label)
            if x >= free_from or k == len(dots) - 1 and x >= free_from - 0.3 * self.font_px:
                top = self._y0 + self._h - 1.15 * self.font_px
                self._text(dot.label, x + 0.25 * self.font_px, min(top, y + 0.1 * self.font_px))
                free_from = x + 1.5 * wide

    def _events(self, events) -> None:
        Color(*self.text_colour)
        for event in events:
            self._upright(self._at(event.x, 0)[0], event.stall)
        for k, event in enumerate(events):
            wide = _texture(event.label, self.font_px, event.stall).width
            left = self._at(event.x, 0)[0] + 0.3 * self.font_px
            if left + wide > self._x0 + self._w:
                left = self._x0 + self._w - wide
            row = self._y0 + self._h - (k % 3 + 1) * 1.15 * self.font_px
            self._text(event.label, left, max(self._y0, row), bold=event.stall, patch=True)

    def _upright(self, x: float, stall: bool) -> None:
        """The stall is a heavy whole line, a warning a light broken one."""
        foot, top, dash = self._y0, self._y0 + self._h, 0.35 * self.font_px
        if stall:
            Line(points=[x, foot, x, top], width=max(1.0, 0.08 * self.font_px), cap="none")
            return
        while foot < top:
            Line(points=[x, foot, x, min(top, foot + dash)], width=max(1.0, 0.04 * self.font_px), cap="none")
            foot += 1.8 * dash

    def _text(self, text: str, x: float, y: float, bold: bool = True, patch: bool = False) -> None:
        texture = _texture(text, self.font_px, bold)
        if patch:  # words on their own ground, so that the line under them does not cut them
            Color(*self.ground_colour)
            Rectangle(pos=(x - 2, y), size=(texture.width + 4, texture.height * 0.95))
        Color(*self.text_colour)
        Rectangle(texture=texture, pos=(x, y), size=texture.size)
