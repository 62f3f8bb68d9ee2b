"""One axis for all sides, airspeed or time to stall: a handle to drag, calls and events as marks in one lane a side."""

from __future__ import annotations

import math

from kivy.graphics import Color, Ellipse, Line, Rectangle
from kivy.metrics import dp, sp
from kivy.properties import ObjectProperty, StringProperty
from kivy.uix.widget import Widget

from logger_app.ui.presenters.compare_state import Axis
from logger_app.ui.theme import CURRENT
from logger_app.ui.widgets.timeline import draw_text, nice_step, text_texture
from logger_app.units import from_kt, to_kt

FOOT, LANE = 24, 30


class CompareAxis(Widget):
    """Draws `view` (a `View`); `on_value` is told where the handle was put [kt or s]."""

    view = ObjectProperty(None, allownone=True)
    on_value = ObjectProperty(None, allownone=True)
    unit = StringProperty("kt")
    names = ObjectProperty(())

    def __init__(self, **kw):
        super().__init__(**kw)
        self.bind(view=self.redraw, size=self.redraw, pos=self.redraw)

    @property
    def _ends(self) -> tuple[float, float]:
        return self.x + dp(110), self.right - dp(24)

    def x_of(self, at: float) -> float:
        """Where a value is [px]."""
        first, last = self._ends
        return first + (at - self.view.left) / ((self.view.right - self.view.left) or 1.0) * (last - first)

    def value_of(self, x: float) -> float:
        """Which value is at x [kt or s]."""
        first, last = self._ends
        return self.view.left + (x - first) / (last - first) * (self.view.right - self.view.left)

    def on_touch_down(self, touch):
        if not self.view or not self.collide_point(*touch.pos):
            return super().on_touch_down(touch)
        touch.grab(self)
        self.on_value(self.value_of(touch.x))
        return True

    def on_touch_move(self, touch):
        if touch.grab_current is self:
            self.on_value(self.value_of(touch.x))
            return True
        return super().on_touch_move(touch)

    def on_touch_up(self, touch):
        if touch.grab_current is self:
            touch.ungrab(self)
            return True
        return super().on_touch_up(touch)

    def redraw(self, *_) -> None:
        """Draw anew."""
        self.canvas.clear()
        if not self.view or self.width < dp(200):
            return
        with self.canvas:
            self._scale()
            x = self.x_of(self.view.at)
            Color(*CURRENT.main[:3], 0.35)  # words stand over it
            Line(points=[x, self.y + dp(FOOT), x, self.top], width=dp(2.6))
            for lane, name in enumerate(self.names):
                self._lane(lane, name)
            Color(*CURRENT.main)
            Ellipse(pos=(x - dp(9), self.y + dp(FOOT) - dp(9)), size=(dp(18), dp(18)))

    def _scale(self) -> None:
        foot, view = self.y + dp(FOOT), self.view
        Color(*CURRENT.line)
        Line(points=[self._ends[0], foot, self._ends[1], foot], width=dp(1.2))
        if view.axis is Axis.RATIO:
            for at, words in view.ticks:
                x = self.x_of(at)
                Color(*CURRENT.line)
                Line(points=[x, foot, x, foot + dp(8)], width=dp(1.4))
                draw_text(words, x, self.y, sp(13), CURRENT.text if not words.startswith("+") else CURRENT.quiet)
            draw_text("of stall speed", self.x, self.y, sp(13), CURRENT.quiet, centre=False)
            return
        speed = view.axis is Axis.AIRSPEED
        low, high = sorted((view.left, view.right))
        if speed:
            low, high = from_kt(low, self.unit), from_kt(high, self.unit)
        step = nice_step(max(high - low, 1e-3), 12)
        value = math.ceil(low / step) * step
        while value <= high + 1e-9:
            x = self.x_of(to_kt(value, self.unit) if speed else value)
            Color(*CURRENT.line)
            Line(points=[x, foot, x, foot + dp(6)], width=1)
            draw_text(f"{value:g}" if speed or abs(value) < 1e-9 else f"{value:+g}", x, self.y, sp(13), CURRENT.quiet)
            value += step
        draw_text(self.unit if speed else "s from stall", self.x, self.y, sp(13), CURRENT.quiet, centre=False)

    def _lane(self, lane: int, name: str) -> None:
        y = self.y + dp(FOOT) + dp(8) + dp(LANE) * (len(self.names) - 1 - lane)
        draw_text(name[:14], self.x, y + dp(4), sp(13), CURRENT.text, centre=False)
        taken = 0.0
        for mark in sorted((m for m in self.view.marks if m.side == lane), key=lambda m: self.x_of(m.at)):
            x = self.x_of(mark.at)
            Color(*(CURRENT.stop if mark.event else CURRENT.line))
            Line(points=[x, y, x, y + dp(14 if mark.event else 8)], width=dp(1.6 if mark.event else 1))
            half = text_texture(mark.words, sp(12), tuple(CURRENT.text)).width / 2
            if x - half > taken:
                draw_text(mark.words, x, y + dp(14), sp(12), CURRENT.stop if mark.event else CURRENT.quiet)
                taken = x + half + dp(3)
        Color(*CURRENT.button)
        Rectangle(pos=(self._ends[0], y - dp(2)), size=(self._ends[1] - self._ends[0], 1))
