"""A run as points against time: calls, the fitted line, the band asked for, events, the cursor.

Draws what `presenters.review.View` says and reports touches; knows nothing of flights. A call's
state is a shape, not only a colour: heard a ring, confirmed a disc, corrected a square, added a
triangle, rejected a cross. What is in the queue has a second ring around it.
"""

from __future__ import annotations

import math
from typing import Any

from kivy.core.text import Label as CoreLabel
from kivy.graphics import Color, Ellipse, Line, Mesh, Rectangle, Triangle
from kivy.metrics import dp, sp
from kivy.properties import ObjectProperty
from kivy.uix.widget import Widget

from logger_app.domain.times import flight_time
from logger_app.ui.theme import CURRENT

AMBER = (0.80, 0.50, 0.0, 1)
TEXTURES: dict[tuple, Any] = {}
MAX_TEXTURES = 2000
EVENT_ROWS = 3


def text_texture(text: str, size: float, colour) -> Any:
    """A drawn word, kept: the same few labels come again at every step."""
    key = (text, size, colour)
    if key not in TEXTURES:
        if len(TEXTURES) > MAX_TEXTURES:
            TEXTURES.clear()
        label = CoreLabel(text=text, font_size=size, color=colour)
        label.refresh()
        TEXTURES[key] = label.texture
    return TEXTURES[key]


def draw_text(text: str, x: float, y: float, size: float, colour=None, centre: bool = True) -> None:
    """Draw a word with its middle (or left edge) at x and its foot at y, on the current canvas."""
    texture = text_texture(text, size, tuple(colour or CURRENT.text))
    Color(1, 1, 1, 1)
    left = x - texture.width / 2 if centre else x
    Rectangle(texture=texture, pos=(round(left), round(y)), size=texture.size)


def nice_step(span: float, most: int) -> float:
    """A step of 1, 2 or 5 times a power of ten that gives at most so many marks."""
    raw = span / max(1, most)
    power = 10 ** math.floor(math.log10(raw)) if raw > 0 else 1
    return next(power * m for m in (1, 2, 5, 10) if power * m >= raw)


class TimeAxis(Widget):
    """Shared by everything that has time across: x of a second, second of an x."""

    view = ObjectProperty(None, allownone=True)
    on_time = ObjectProperty(None, allownone=True)
    on_pick = ObjectProperty(None, allownone=True)

    def __init__(self, **kw):
        super().__init__(**kw)
        self.bind(view=self.redraw, size=self.redraw, pos=self.redraw)

    @property
    def left(self) -> float:
        return self.x + dp(44)

    def x_of(self, at_s: float) -> float:
        """Where a time is [px]."""
        span = max(0.1, self.view.end_s - self.view.start_s)
        return self.left + (at_s - self.view.start_s) / span * (self.right - dp(12) - self.left)

    def s_of(self, x: float) -> float:
        """Which time is at x [s]."""
        span = max(0.1, self.view.end_s - self.view.start_s)
        return self.view.start_s + (x - self.left) / (self.right - dp(12) - self.left) * span

    def on_touch_down(self, touch):
        if not self.view or not self.collide_point(*touch.pos):
            return super().on_touch_down(touch)
        near = min(self.view.dots, key=lambda d: self.distance(d, touch), default=None)
        if near and self.distance(near, touch) < dp(24):
            self.on_pick(near.id)
        elif self.on_time:
            self.on_time(self.s_of(touch.x))
        return True

    def distance(self, dot, touch) -> float:
        """From a touch to a call [px]."""
        return abs(self.x_of(dot.at_s) - touch.x)

    def redraw(self, *_) -> None:
        """Draw anew."""
        self.canvas.clear()
        if self.view and self.width > dp(100) and self.height > dp(60):
            with self.canvas:
                self.draw(self.view)

    def draw(self, view) -> None:
        raise NotImplementedError

    def draw_cursor(self, bottom: float, top: float) -> None:
        """The cursor as a vertical line."""
        x = self.x_of(self.view.cursor_s)
        if self.left <= x <= self.right:
            Color(*AMBER)
            Line(points=[x, bottom, x, top], width=dp(1.2))


class TimelineView(TimeAxis):
    """The trace."""

    @property
    def foot(self) -> float:
        return self.y + dp(24)

    def y_of(self, value: float) -> float:
        """Where a speed is [px]."""
        room = self.top - dp(18) * EVENT_ROWS - dp(4) - self.foot
        return self.foot + (value - self.view.low) / (self.view.high - self.view.low) * room

    def distance(self, dot, touch) -> float:
        dx = self.x_of(dot.at_s) - touch.x
        return abs(dx) if dot.y is None else math.hypot(dx, self.y_of(dot.y) - touch.y)

    def draw(self, view) -> None:
        self._axes(view)
        if view.band:
            Color(*CURRENT.band)
            corners = [(s, low) for s, low, _ in view.band] + [(s, high) for s, _, high in reversed(view.band)]
            Mesh(
                vertices=[v for s, y in corners for v in (self.x_of(s), self.y_of(y), 0, 0)],
                indices=list(range(len(corners))),
                mode="triangle_fan",
            )
        if view.line:
            Color(*CURRENT.main)
            Line(points=[v for s, y in view.line for v in (self.x_of(s), self.y_of(y))], width=dp(1.4))
        self.draw_cursor(self.foot, self.top)
        ends = [0.0] * EVENT_ROWS
        for dot in view.dots:
            if dot.y is None:
                self._event(dot, ends)
        for dot in view.dots:
            if dot.y is not None:
                self._dot(dot)

    def _axes(self, view) -> None:
        Color(*CURRENT.line)
        Line(points=[self.left, self.top, self.left, self.foot, self.right, self.foot], width=1)
        step = nice_step(view.high - view.low, 8)
        value = math.ceil(view.low / step) * step
        while value <= view.high:
            y = self.y_of(value)
            Color(0.9, 0.9, 0.88, 1)
            Line(points=[self.left, y, self.right, y], width=1)
            draw_text(f"{value:g}", self.left - dp(18), y - sp(8), sp(13), CURRENT.quiet)
            value += step
        step = nice_step(view.end_s - view.start_s, 8)
        at_s = math.ceil(view.start_s / step) * step
        while at_s <= view.end_s:
            draw_text(flight_time(at_s), self.x_of(at_s), self.y + dp(2), sp(13), CURRENT.quiet)
            at_s += step
        draw_text(view.unit, self.left - dp(18), self.y + dp(2), sp(13), CURRENT.quiet)

    def _event(self, dot, ends: list[float]) -> None:
        """A line with its word at the top, in the first row where it does not cover another."""
        x = self.x_of(dot.at_s)
        gone = dot.state == "rejected"
        text = f"{dot.text}{' (rejected)' if gone else ''}"
        half = text_texture(text, sp(13), tuple(CURRENT.quiet if gone else CURRENT.text)).width / 2
        row = next((k for k, end in enumerate(ends) if x - half > end), 0)
        ends[row] = x + half + dp(4)
        Color(*(CURRENT.line if gone else CURRENT.main))
        Line(points=[x, self.foot, x, self.top - dp(18)], width=dp(2) if dot.here else 1, dash_length=4, dash_offset=3)
        draw_text(
            text,
            max(x, self.left + half),
            self.top - dp(18) * (row + 1),
            sp(13),
            CURRENT.quiet if gone else CURRENT.text,
        )
        if dot.flagged or dot.here:
            Color(*(AMBER if dot.flagged else CURRENT.main))
            Line(circle=(x, self.foot + dp(10), dp(7)), width=dp(1.5))

    def _dot(self, dot) -> None:
        x, y, r = self.x_of(dot.at_s), self.y_of(min(max(dot.y, self.view.low), self.view.high)), dp(5)
        if dot.proposed_y is not None:
            top = self.y_of(min(max(dot.proposed_y, self.view.low), self.view.high))
            Color(*AMBER)
            Line(points=[x, y, x, top], width=1, dash_length=3, dash_offset=3)
            Line(circle=(x, top, r), width=dp(1.2))
        if dot.heard_y is not None:
            was = self.y_of(min(max(dot.heard_y, self.view.low), self.view.high))
            Color(*CURRENT.line)
            Line(points=[x - r, was - r, x + r, was + r], width=1)
            Line(points=[x - r, was + r, x + r, was - r], width=1)
        Color(*(CURRENT.line if dot.state == "rejected" else CURRENT.text))
        if dot.state == "rejected":
            Line(points=[x - r, y - r, x + r, y + r], width=dp(1.2))
            Line(points=[x - r, y + r, x + r, y - r], width=dp(1.2))
        elif dot.state == "confirmed":
            Ellipse(pos=(x - r, y - r), size=(2 * r, 2 * r))
        elif dot.state == "corrected":
            Rectangle(pos=(x - r, y - r), size=(2 * r, 2 * r))
        elif dot.state == "added":
            Triangle(points=[x - r, y - r, x + r, y - r, x, y + r])
        else:
            Line(circle=(x, y, r), width=dp(1.3))
        if dot.flagged:
            Color(*AMBER)
            Line(circle=(x, y, r + dp(4)), width=dp(1.5))
        if dot.here:
            Color(*CURRENT.main)
            Line(circle=(x, y, r + dp(9)), width=dp(2.2))
            draw_text(dot.text, x, y + r + dp(9), sp(16), CURRENT.text)
