"""Wings from above, one below the other: a speed or a difference in each station's field."""

from __future__ import annotations

from kivy.graphics import Color, Line, Rectangle
from kivy.metrics import dp, sp
from kivy.properties import ObjectProperty
from kivy.uix.widget import Widget

from logger_app.ui.theme import CURRENT, rgb
from logger_app.ui.widgets.timeline import draw_text, text_texture

WHITE, DEEP, FASTER = rgb("#ffffff"), rgb("#d9722f"), rgb("#3f78b5")
INK = rgb("#1c2126")  # on cells that are light in every palette
ROW, HEAD, FOOT = 26, 40, 18


class SpanMaps(Widget):
    """Draws `maps` (of `presenters.compare_view.MapView`); as tall as they are."""

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
        """Colour and pattern say the same: darker and with more strokes is earlier, or a larger difference."""
        box = (x + 1, y + 1, width - 2, dp(ROW) - 2)
        tone = cell.tone if cell and cell.tone is not None else 0
        Color(*([a + (b - a) * tone / 4 for a, b in zip(WHITE, FASTER if cell and cell.kind == "faster" else DEEP)]))
        Rectangle(pos=box[:2], size=box[2:])
        Color(*INK[:3], 0.55)
        for k in range(3 * tone):
            at = box[0] + (k + 1) / (3 * tone + 1) * box[2]
            if cell.kind == "faster":
                Line(points=[at - dp(2), box[1] + dp(3), at + dp(2), box[1] + dp(3)], width=1)
            else:
                Line(points=[at, box[1] + dp(1), at, box[1] + dp(5)], width=1)
        Color(*INK[:3], 0.4)
        corners = [box[0], box[1], box[0] + box[2], box[1], box[0] + box[2], box[1] + box[3], box[0], box[1] + box[3]]
        if cell and cell.proposed:
            Line(points=corners, close=True, dash_length=4, dash_offset=3)
        else:
            Line(rectangle=box, width=1)
        if cell:
            text = f"{cell.words}?" if cell.proposed else cell.words
            size = next((s for s in (13, 11, 9) if text_texture(text, sp(s), tuple(INK)).width < box[2]), 8)
            draw_text(text, x + width / 2, y + dp(7), sp(size), INK)
