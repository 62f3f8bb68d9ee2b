"""Wings from above, one below the other: a speed or a difference in each station's field."""

from __future__ import annotations

from kivy.graphics import Color, Line, Rectangle
from kivy.metrics import dp, sp
from kivy.properties import ObjectProperty
from kivy.uix.widget import Widget

from logger_app.ui.theme import CURRENT, rgb
from logger_app.ui.widgets.timeline import draw_text, text_texture

WHITE, DEEP = rgb("#ffffff"), rgb("#8c3b12")
ROW, HEAD, FOOT = 26, 40, 18


class SpanMaps(Widget):
    """Draws `maps` (of `presenters.compare.MapView`); as tall as they are."""

    maps = ObjectProperty(())

    def __init__(self, **kw):
        super().__init__(**kw)
        self.bind(maps=self.redraw, size=self.redraw, pos=self.redraw)

    def redraw(self, *_) -> None:
        """Draw anew."""
        self.canvas.clear()
        self.height = sum(dp(HEAD + FOOT + ROW * max(1, len(one.chords))) for one in self.maps)
        if self.width < dp(100):
            return
        top = self.top
        with self.canvas:
            for one in self.maps:
                top = self._map(one, top)

    def _map(self, one, top: float) -> float:
        words = one.title.split(": ")
        for k, part in enumerate(words):
            draw_text(
                part, self.x, top - sp(18) * (k + 1), sp(13), CURRENT.text if k == 0 else CURRENT.quiet, centre=False
            )
        top -= dp(HEAD)
        if not one.cells:
            draw_text("no station has been looked at", self.x, top - sp(16), sp(13), CURRENT.quiet, centre=False)
            return top - dp(ROW + FOOT)
        left = self.x + dp(42)
        width = (self.right - left) / len(one.spans)
        for r, (chord, row) in enumerate(zip(one.chords, one.cells)):
            y = top - dp(ROW) * (r + 1)
            draw_text(f"{float(chord):g}%", self.x, y + dp(6), sp(11), CURRENT.quiet, centre=False)
            for c, cell in enumerate(row):
                self._cell(cell, left + c * width, y, width)
        for c, name in enumerate(one.spans):
            draw_text(
                f"{float(name):g}%",
                left + (c + 0.5) * width,
                top - dp(ROW) * len(one.chords) - sp(14),
                sp(11),
                CURRENT.quiet,
            )
        return top - dp(ROW) * len(one.chords) - dp(FOOT)

    def _cell(self, cell, x: float, y: float, width: float) -> None:
        box = (x + 1, y + 1, width - 2, dp(ROW) - 2)
        shade = cell.shade if cell and cell.shade is not None else None
        Color(*(CURRENT.ground if shade is None else [a + (b - a) * shade for a, b in zip(WHITE, DEEP)]))
        Rectangle(pos=box[:2], size=box[2:])
        Color(*CURRENT.line)
        if cell and cell.proposed:
            Line(
                points=[
                    box[0],
                    box[1],
                    box[0] + box[2],
                    box[1],
                    box[0] + box[2],
                    box[1] + box[3],
                    box[0],
                    box[1] + box[3],
                ],
                close=True,
                dash_length=4,
                dash_offset=3,
            )
        else:
            Line(rectangle=box, width=1)
        if cell:
            ink = WHITE if (shade or 0) > 0.55 else CURRENT.text
            text = f"{cell.words}?" if cell.proposed else cell.words
            size = sp(13) if text_texture(text, sp(13), tuple(ink)).width < box[2] else sp(10)
            draw_text(text, x + width / 2, y + dp(5), size, ink)
