"""A drawing of the report on a screen: the same strokes, labels and markers, as wide as there is room.

Reports a touch near a marker by the marker's words. Main name: `DrawingView`.
"""

from __future__ import annotations

import math

from kivy.clock import Clock
from kivy.graphics import Color, Line, Mesh
from kivy.metrics import dp, sp
from kivy.properties import ObjectProperty
from kivy.uix.widget import Widget

from logger_app.ui.theme import CURRENT, contrast, rgb
from logger_app.ui.widgets.timeline import draw_text, text_texture
from logger_app.workflows.history import Label, Marker, Stroke, colour, marker_lines

MIN_TEXT_SP = 10
REACH = 22  # of a touch, around a marker [dp]


class DrawingView(Widget):
    """Draws `drawing` (a `report.layout.Drawing`); as tall as its width makes it. `send` takes the words of a marker."""

    drawing = ObjectProperty(None, allownone=True)
    send = ObjectProperty(None, allownone=True)

    def __init__(self, **kw):
        super().__init__(**kw)
        self.size_hint_y = None
        self._trigger = Clock.create_trigger(self.redraw, -1)  # once all layouts have had their say
        self.bind(drawing=self._changed, size=self._changed, pos=self._changed)

    @property
    def scale(self) -> float:
        """Pixels of the screen for one of the drawing."""
        return self.width / self.drawing.width if self.drawing else 1.0

    def on_touch_down(self, touch):
        if self.drawing is None or self.send is None or not self.collide_point(*touch.pos):
            return super().on_touch_down(touch)
        described = [shape for shape in self.drawing.shapes if isinstance(shape, Marker) and shape.description]
        near = min(described, key=lambda one: math.dist(self._at(one.x, one.y), touch.pos), default=None)
        if near is not None and math.dist(self._at(near.x, near.y), touch.pos) < dp(REACH):
            self.send(near.description)
        return super().on_touch_down(touch)

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return self.x + x * self.scale, self.top - y * self.scale

    def _changed(self, *_) -> None:
        self.height = self.drawing.height * self.scale if self.drawing else 0
        self._trigger()

    def redraw(self, *_) -> None:
        """Draw anew."""
        self.canvas.clear()
        if self.drawing is None or self.width < dp(40):
            return
        self.dark = contrast(CURRENT.ground, rgb("#000000")) < contrast(CURRENT.ground, rgb("#ffffff"))
        with self.canvas:
            for shape in self.drawing.shapes:
                if isinstance(shape, Stroke):
                    self._stroke(shape)
                elif isinstance(shape, Marker):
                    self._marker(shape)
                elif isinstance(shape, Label):
                    self._label(shape)

    def _colour(self, role: str, opacity: float = 1.0) -> None:
        Color(*rgb(colour(role, self.dark))[:3], opacity)

    def _fill(self, points, role: str) -> None:
        self._colour(role)
        vertices = [v for x, y in points for v in (x, y, 0, 0)]
        Mesh(vertices=vertices, indices=list(range(len(points))), mode="triangle_fan")

    def _stroke(self, stroke: Stroke) -> None:
        points = [self._at(*point) for point in stroke.points]
        if stroke.fill:
            self._fill(points, stroke.fill)
        self._colour(stroke.role, 0.55 if stroke.faint else 1.0)
        flat = [v for point in points for v in point]
        if stroke.dash:
            Line(points=flat, width=1, dash_length=stroke.dash[0], dash_offset=stroke.dash[1])
        else:
            Line(points=flat, width=max(1.0, stroke.width * self.scale / 2))

    def _marker(self, marker: Marker) -> None:
        x, y = self._at(marker.x, marker.y)
        size = max(marker.size * self.scale, dp(2.5))
        for line in marker_lines(marker.shape, x, -y, size):
            points = [(px, -py) for px, py in line]
            if marker.shape != "cross":
                self._fill(points, "paper" if marker.hollow else marker.role)
            self._colour(marker.role)
            Line(points=[v for point in points for v in point], close=marker.shape != "cross", width=dp(1.1))

    def _label(self, label: Label) -> None:
        size = max(sp(MIN_TEXT_SP), label.size * self.scale)
        tint = rgb(colour(label.role, self.dark))
        x, y = self._at(label.x, label.y)
        if label.anchor == "start":
            wide = text_texture(label.text, size, tuple(tint)).width
            size *= min(1.0, (self.right - x) / wide) if wide else 1.0
        draw_text(label.text, x, y - size * 0.25, size, tint, centre=label.anchor == "middle")
