"""A camera picture with tuft stations over it; reports touches in fractions of the picture.

A state is a letter and a shape, not only a colour: decided ones are filled discs, proposed ones
open rings of dashes with a question mark; a station that nobody has looked at is a small cross.
"""

from __future__ import annotations

from kivy.graphics import Color, Ellipse, Line, Rectangle
from kivy.graphics.texture import Texture
from kivy.metrics import dp, sp
from kivy.properties import BooleanProperty, ObjectProperty
from kivy.uix.widget import Widget

from logger_app.sync.tufts import TuftState
from logger_app.ui.theme import DAY, rgb
from logger_app.ui.widgets.timeline import draw_text

LETTERS = {TuftState.ATTACHED: "A", TuftState.UNSTEADY: "U", TuftState.SEPARATED: "S", TuftState.REVERSED: "R", TuftState.NOT_VISIBLE: "-"}
FILLS = {
    TuftState.ATTACHED: rgb("#ffffff"),
    TuftState.UNSTEADY: rgb("#ffd24d"),
    TuftState.SEPARATED: rgb("#c22f1b"),
    TuftState.REVERSED: rgb("#4b1d6b"),
    TuftState.NOT_VISIBLE: rgb("#8a8f96"),
}
DARK_ON = frozenset({TuftState.ATTACHED, TuftState.UNSTEADY, TuftState.NOT_VISIBLE})
WHITE, BLACK, AMBER = rgb("#ffffff"), rgb("#000000"), rgb("#ffc233")


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
                Color(*DAY.button)
                Rectangle(pos=(left, foot), size=(width, height))
            Color(*(AMBER if self.view.held else DAY.main if self.view.chosen else DAY.line))
            Line(rectangle=(left, foot, width, height), width=dp(2 if self.view.chosen or self.view.held else 1))
            for station in self.view.stations:
                self._station(station)
            corners = [self.place_of(*corner) for corner in self.view.corners]
            for k, (x, y) in enumerate(corners):
                Color(*AMBER)
                Line(circle=(x, y, dp(7)), width=dp(2))
                if k:
                    Line(points=[*corners[k - 1], x, y], width=dp(1.5))

    def _station(self, station) -> None:
        x, y = self.place_of(station.x, station.y)
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
            if station.confidence is not None:
                draw_text(f"{100 * station.confidence:.0f} %", x, y - radius - sp(15), sp(11), WHITE)
            return
        Color(*BLACK)
        Ellipse(pos=(x - radius - dp(1.5), y - radius - dp(1.5)), size=(2 * radius + dp(3), 2 * radius + dp(3)))
        Color(*FILLS[station.state])
        Ellipse(pos=(x - radius, y - radius), size=(2 * radius, 2 * radius))
        draw_text(letter, x, y - sp(9), sp(15), BLACK if station.state in DARK_ON else WHITE)
