"""A camera picture with tuft stations over it, zoomed and moved; reports touches in fractions of the picture.

A state is a letter, a shape and a word, not only a colour: decided ones are filled discs, proposed ones
open rings of dashes with a question mark; a station that nobody has looked at is a small cross. Beside each
stands its place (``30/50``: percent of span and chord) and its state in words, as far as there is room. A
station whose place is only proposed, from another flight, is an open diamond.
"""

from __future__ import annotations

import itertools
import math

from kivy.graphics import Color, Ellipse, Line, Rectangle, ScissorPop, ScissorPush
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
GHOST = (0.9, 0.9, 0.9, 0.8)
LABEL_SP = 11
DISC, BESIDE = 7, 13  # radius of a disc, and how far it is from its station [dp]
GHOST_BESIDE = 28  # the same of the generation before [dp]
WAYS = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1))  # right, left, up, down, and between


class WingPicture(Widget):
    """Draws `view` (a `PanelView`) over the picture given to `show`; touches go to `send` as keys of the presenter.

    One finger paints, two pinch and move; the wheel zooms.
    """

    view = ObjectProperty(None, allownone=True)
    send = ObjectProperty(None, allownone=True)
    chosen = BooleanProperty(False)

    def __init__(self, **kw):
        super().__init__(**kw)
        self._texture, self._aspect, self._rgb = None, 16 / 9, None
        self._fingers: dict = {}
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

    def window(self) -> tuple[float, float, float, float]:
        """What of the screen the picture may fill: x, y, width, height [px]."""
        width = min(self.width, self.height * self._aspect)
        height = width / self._aspect
        return self.center_x - width / 2, self.center_y - height / 2, width, height

    def box(self) -> tuple[float, float, float, float]:
        """Where the whole picture lies, zoomed and moved: x, y, width, height [px]."""
        left, foot, width, height = self.window()
        zoom, x, y = self.view.zoom if self.view else (1.0, 0.5, 0.5)
        return (
            left + width / 2 - x * zoom * width,
            foot + height / 2 - (1 - y) * zoom * height,
            zoom * width,
            zoom * height,
        )

    def place_of(self, x: float, y: float) -> tuple[float, float]:
        """The window's pixel of a fraction from the picture's upper left."""
        left, foot, width, height = self.box()
        return left + x * width, foot + (1 - y) * height

    def fraction_of(self, x: float, y: float) -> tuple[float, float]:
        """The fraction of the picture, from its upper left, at a pixel of the window."""
        left, foot, width, height = self.box()
        return (x - left) / width, 1 - (y - foot) / height

    def on_touch_down(self, touch):
        if not self.collide_point(*touch.pos) or self.send is None or self.view is None:
            return super().on_touch_down(touch)
        x, y = self.fraction_of(*touch.pos)
        if touch.is_mouse_scrolling:
            factor = 1.25 if touch.button == "scrolldown" else 0.8
            self.send(f"zoom:{self.view.side}:{factor}:{x:.6f}:{y:.6f}")
            return True
        touch.grab(self)
        self._fingers[touch.uid] = touch.pos
        if len(self._fingers) == 1:
            self.send(f"tap:{self.view.side}:{x:.6f}:{y:.6f}")
        return True

    def on_touch_move(self, touch):
        if touch.grab_current is not self or touch.uid not in self._fingers:
            return super().on_touch_move(touch)
        if len(self._fingers) == 1:
            x, y = self.fraction_of(*touch.pos)
            self.send(f"drag:{self.view.side}:{x:.6f}:{y:.6f}")
        else:
            self._pinch(touch)
        self._fingers[touch.uid] = touch.pos
        return True

    def _pinch(self, touch) -> None:
        other = next(at for uid, at in self._fingers.items() if uid != touch.uid)
        before, after = (math.dist(at, other) for at in (self._fingers[touch.uid], touch.pos))
        middle = self.fraction_of((touch.x + other[0]) / 2, (touch.y + other[1]) / 2)
        if before > dp(20):
            self.send(f"zoom:{self.view.side}:{after / before:.4f}:{middle[0]:.6f}:{middle[1]:.6f}")
        _, _, width, height = self.window()
        dx, dy = ((a - b) / 2 for a, b in zip(touch.pos, self._fingers[touch.uid]))
        self.send(f"pan:{self.view.side}:{dx / width:.6f}:{-dy / height:.6f}")

    def on_touch_up(self, touch):
        if touch.grab_current is not self:
            return super().on_touch_up(touch)
        touch.ungrab(self)
        self._fingers.pop(touch.uid, None)
        self.send("release")
        return True

    def redraw(self, *_) -> None:
        """Draw anew."""
        self.canvas.clear()
        if self.view is None or self.width < dp(40):
            return
        frame = self.window()
        with self.canvas:
            ScissorPush(x=round(frame[0]), y=round(frame[1]), width=round(frame[2]), height=round(frame[3]))
            left, foot, width, height = self.box()
            if self._texture is not None and not self.view.why:
                Color(1, 1, 1, 1)
                right, top = (0.0, 1.0) if not self.view.mirrored else (1.0, 1.0)
                u0, u1 = (right, 1.0 - right)
                # The texture is stored upside down, as Kivy's flip_vertical has it.
                Rectangle(
                    texture=self._texture,
                    pos=(left, foot),
                    size=(width, height),
                    tex_coords=(u0, top, u1, top, u1, 0.0, u0, 0.0),
                )
            else:
                Color(*CURRENT.button)
                Rectangle(pos=(left, foot), size=(width, height))
            for station in self.view.stations:
                self._ghost(station)
            for station in self.view.stations:
                self._station(station)
            self._labels()
            corners = [self.place_of(*corner) for corner in self.view.corners]
            for k, (x, y) in enumerate(corners):
                Color(*AMBER)
                Line(circle=(x, y, dp(7)), width=dp(2))
                if k:
                    Line(points=[*corners[k - 1], x, y], width=dp(1.5))
            ScissorPop()
            Color(*(AMBER if self.view.held else CURRENT.main if self.view.chosen else CURRENT.line))
            Line(rectangle=frame, width=dp(2 if self.view.chosen or self.view.held else 1))

    def _station(self, station) -> None:
        """A small disc forward of the station, where no yarn that is attached lies, with a line to it."""
        at = self.place_of(station.x, station.y)
        if station.carried:
            x, y = at
            for colour, thick in ((BLACK, 3.4), (AMBER, 1.6)):
                Color(*colour)
                Line(points=[x - dp(6), y, x, y + dp(6), x + dp(6), y, x, y - dp(6)], close=True, width=dp(thick) / 1.3)
            return
        if station.chosen:
            Color(*AMBER)
            Line(circle=(*at, dp(15)), width=dp(1.6))
        if station.state is None:
            x, y = at
            for colour, thick in ((BLACK, 2.0), (WHITE, 1.1)):
                Color(*colour)
                Line(points=[x - dp(4), y, x + dp(4), y], width=dp(thick) / 1.3)
                Line(points=[x, y - dp(4), x, y + dp(4)], width=dp(thick) / 1.3)
            return
        x, y = self.disc_of(station)
        radius, letter = dp(DISC), LETTERS[station.state]
        Color(*WHITE)
        Line(points=[*at, x, y], width=dp(0.8))
        if station.proposed:
            Color(0, 0, 0, 0.55)
            Ellipse(pos=(x - radius, y - radius), size=(2 * radius, 2 * radius))
            fill = FILLS[station.state] if station.state is not TuftState.REVERSED else rgb("#c79be6")
            Color(*(rgb("#ff8a75") if station.state is TuftState.SEPARATED else fill))
            for start in range(0, 360, 60):
                Line(circle=(x, y, radius + dp(1), start, start + 36), width=dp(1.3))
            draw_text(f"{letter}?", x, y - sp(6.5), sp(10), WHITE)
            return
        Color(*(AMBER if station.disputed else BLACK))
        Ellipse(pos=(x - radius - dp(1.5), y - radius - dp(1.5)), size=(2 * radius + dp(3), 2 * radius + dp(3)))
        Color(*FILLS[station.state])
        Ellipse(pos=(x - radius, y - radius), size=(2 * radius, 2 * radius))
        text = f"{letter}!" if station.disputed else letter
        draw_text(text, x, y - sp(7), sp(11), BLACK if station.state in DARK_ON else WHITE)

    def _ghost(self, station) -> None:
        """What the generation before did: a small faint ring with its letter, forward of where this one's disc is."""
        if station.ghost is None or station.carried:
            return
        x, y = self.place_of(station.x, station.y)
        x, y = x - dp(GHOST_BESIDE) * station.aft_x, y + dp(GHOST_BESIDE) * station.aft_y
        Color(0, 0, 0, 0.35)
        Ellipse(pos=(x - dp(6), y - dp(6)), size=(dp(12), dp(12)))
        Color(1, 1, 1, 0.6)
        Line(circle=(x, y, dp(6)), width=dp(0.8))
        draw_text(LETTERS[station.ghost], x, y - sp(6), sp(9), GHOST)

    def disc_of(self, station) -> tuple[float, float]:
        """Where a station's disc is in the window [px]."""
        x, y = self.place_of(station.x, station.y)
        return x - dp(BESIDE) * station.aft_x, y + dp(BESIDE) * station.aft_y

    def _labels(self) -> None:
        """Place and state of each station beside it, where nothing else stands and no tuft lies: else the place alone, else nothing."""
        left, foot, width, height = self.box()
        places = [self.place_of(station.x, station.y) for station in self.view.stations]
        discs = [self.disc_of(station) if station.state else at for station, at in zip(self.view.stations, places)]
        taken = [(x - dp(8), y - dp(8), x + dp(8), y + dp(8)) for x, y in [*places, *discs]]
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
