"""A camera picture with tuft stations over it; reports touches in fractions of the picture.

A state is a letter, a shape and a word, not only a colour: decided ones are filled discs, proposed ones
open rings of dashes with a question mark; a station that nobody has looked at is a small cross. Beside each
stands its place (``30/50``: percent of span and chord) and its state in words, as far as there is room. A
station whose place is only proposed, from another flight, is an open diamond.
"""

from __future__ import annotations

import itertools
import math

from kivy.graphics import Color, Ellipse, Line, Rectangle
from kivy.graphics.texture import Texture
from kivy.metrics import dp, sp
from kivy.properties import BooleanProperty, ObjectProperty
from kivy.uix.widget import Widget

from logger_app.domain.tufts import TuftState
from logger_app.ui.theme import CURRENT, rgb
from logger_app.ui.widgets.timeline import draw_text, text_texture

LETTERS = {
    TuftState.ATTACHED: "A",
    TuftState.UNSTEADY: "U",
    TuftState.SEPARATED: "S",
    TuftState.REVERSED: "R",
    TuftState.NOT_VISIBLE: "-",
}
FILLS = {
    TuftState.ATTACHED: rgb("#ffffff"),
    TuftState.UNSTEADY: rgb("#ffd24d"),
    TuftState.SEPARATED: rgb("#c22f1b"),
    TuftState.REVERSED: rgb("#4b1d6b"),
    TuftState.NOT_VISIBLE: rgb("#8a8f96"),
}
DARK_ON = frozenset({TuftState.ATTACHED, TuftState.UNSTEADY, TuftState.NOT_VISIBLE})
WHITE, BLACK, AMBER = rgb("#ffffff"), rgb("#000000"), rgb("#ffc233")
LABEL_SP = 12
WAYS = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1))  # right, left, up, down, and between


class WingPicture(Widget):
    """Draws `view` (a `PanelView`) over the picture given to `show`."""

    view = ObjectProperty(None, allownone=True)
    on_fraction = ObjectProperty(None, allownone=True)
    chosen = BooleanProperty(False)

    def __init__(self, **kw):
        super().__init__(**kw)
        self._texture, self._aspect, self._rgb = None, 16 / 9, None
        self.bind(view=self.redraw, size=self.redraw, pos=self.redraw)

    def show(self, picture) -> None:
        """A picture, RGB of uint8, or None for none."""
        if picture is self._rgb:
            return
        self._rgb = picture
        if picture is None:
            self._texture = None
        else:
            size = (picture.shape[1], picture.shape[0])
            if self._texture is None or tuple(self._texture.size) != size:
                self._texture = Texture.create(size=size, colorfmt="rgb")
                self._texture.flip_vertical()
            self._texture.blit_buffer(picture.tobytes(), colorfmt="rgb", bufferfmt="ubyte")
            self._aspect = size[0] / size[1]
        self.redraw()

    def box(self) -> tuple[float, float, float, float]:
        """Where the picture is: x, y, width, height [px]."""
        width = min(self.width, self.height * self._aspect)
        height = width / self._aspect
        return self.center_x - width / 2, self.center_y - height / 2, width, height

    def place_of(self, x: float, y: float) -> tuple[float, float]:
        """The window's pixel of a fraction from the picture's upper left."""
        left, foot, width, height = self.box()
        return left + x * width, foot + (1 - y) * height

    def on_touch_down(self, touch):
        if not self.collide_point(*touch.pos) or self.on_fraction is None:
            return super().on_touch_down(touch)
        left, foot, width, height = self.box()
        self.on_fraction((touch.x - left) / width, 1 - (touch.y - foot) / height)
        return True

    def redraw(self, *_) -> None:
        """Draw anew."""
        self.canvas.clear()
        if self.view is None or self.width < dp(40):
            return
        left, foot, width, height = self.box()
        with self.canvas:
            if self._texture is not None and not self.view.why:
                Color(1, 1, 1, 1)
                Rectangle(texture=self._texture, pos=(left, foot), size=(width, height))
            else:
                Color(*CURRENT.button)
                Rectangle(pos=(left, foot), size=(width, height))
            Color(*(AMBER if self.view.held else CURRENT.main if self.view.chosen else CURRENT.line))
            Line(rectangle=(left, foot, width, height), width=dp(2 if self.view.chosen or self.view.held else 1))
            for station in self.view.stations:
                self._station(station)
            self._labels()
            corners = [self.place_of(*corner) for corner in self.view.corners]
            for k, (x, y) in enumerate(corners):
                Color(*AMBER)
                Line(circle=(x, y, dp(7)), width=dp(2))
                if k:
                    Line(points=[*corners[k - 1], x, y], width=dp(1.5))

    def _station(self, station) -> None:
        x, y = self.place_of(station.x, station.y)
        if station.carried:
            for colour, thick in ((BLACK, 3.4), (AMBER, 1.6)):
                Color(*colour)
                Line(points=[x - dp(7), y, x, y + dp(7), x + dp(7), y, x, y - dp(7)], close=True, width=dp(thick) / 1.3)
            return
        if station.state is None:
            for colour, thick in ((BLACK, 2.0), (WHITE, 1.1)):
                Color(*colour)
                Line(points=[x - dp(5), y, x + dp(5), y], width=dp(thick) / 1.3)
                Line(points=[x, y - dp(5), x, y + dp(5)], width=dp(thick) / 1.3)
            return
        radius, letter = dp(10), LETTERS[station.state]
        if station.proposed:
            Color(0, 0, 0, 0.55)
            Ellipse(pos=(x - radius, y - radius), size=(2 * radius, 2 * radius))
            fill = FILLS[station.state] if station.state is not TuftState.REVERSED else rgb("#c79be6")
            Color(*(rgb("#ff8a75") if station.state is TuftState.SEPARATED else fill))
            for start in range(0, 360, 60):
                Line(circle=(x, y, radius + dp(1), start, start + 36), width=dp(1.6))
            draw_text(f"{letter}?", x, y - sp(8), sp(13), WHITE)
            return
        Color(*BLACK)
        Ellipse(pos=(x - radius - dp(1.5), y - radius - dp(1.5)), size=(2 * radius + dp(3), 2 * radius + dp(3)))
        Color(*FILLS[station.state])
        Ellipse(pos=(x - radius, y - radius), size=(2 * radius, 2 * radius))
        draw_text(letter, x, y - sp(9), sp(15), BLACK if station.state in DARK_ON else WHITE)

    def _labels(self) -> None:
        """Place and state of each station beside it, where nothing else stands and no tuft lies: else the place alone, else nothing."""
        left, foot, width, height = self.box()
        places = [self.place_of(station.x, station.y) for station in self.view.stations]
        taken = [(x - dp(11), y - dp(11), x + dp(11), y + dp(11)) for x, y in places]
        for k, (station, (x, y)) in enumerate(zip(self.view.stations, places)):
            for lines in (label_lines(station), label_lines(station)[:1]):
                textures = [text_texture(line, sp(LABEL_SP), WHITE) for line in lines]
                wide, tall = max(t.width for t in textures) + dp(6), sum(t.height for t in textures)
                # Tufts lie aft of their station, reversed ones forward: beside them first, forward next, aft last.
                for gap, way in itertools.product((dp(13), dp(19)), sorted(WAYS, key=lambda way: _along(way, station))):
                    middle_x, middle_y = x + way[0] * (gap + wide / 2), y + way[1] * (gap + tall / 2)
                    box = (middle_x - wide / 2, middle_y - tall / 2, middle_x + wide / 2, middle_y + tall / 2)
                    inside = box[0] >= left and box[1] >= foot and box[2] <= left + width and box[3] <= foot + height
                    if inside and not any(_meet(box, other) for j, other in enumerate(taken) if j != k):
                        break
                else:
                    continue
                taken.append(box)
                self._label(box, textures)
                break

    def _label(self, box, textures) -> None:
        Color(0, 0, 0, 0.68)
        Rectangle(pos=box[:2], size=(box[2] - box[0], box[3] - box[1]))
        top = box[3]
        for texture in textures:
            top -= texture.height
            Color(1, 1, 1, 1)
            Rectangle(
                texture=texture, pos=(round((box[0] + box[2] - texture.width) / 2), round(top)), size=texture.size
            )


def label_lines(station) -> list[str]:
    """What stands beside a station: its place, and its state in words."""
    if station.state is None:
        return [station.id]
    if not station.proposed:
        return [station.id, str(station.state)]
    return [station.id, f"{station.state}?"] + (
        [] if station.confidence is None else [f"{100 * station.confidence:.0f} %"]
    )


def _along(way, station) -> float:
    """How much a way goes aft or forward, forward counting less; 0 for those across."""
    aft = (way[0] * station.aft_x - way[1] * station.aft_y) / math.hypot(*way)
    return (0.0 if abs(aft) < 0.4 else 2.0 + aft) + 4.0 * (0 not in way)


def _meet(a, b) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
