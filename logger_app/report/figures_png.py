"""Shapes to pixels: the third backend of the same figures, at twice the page's size. Light colours, for slides and mail."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

from PIL import Image, ImageColor, ImageDraw, ImageFont

from logger_app.io.fonts import font_folder
from logger_app.report import layout
from logger_app.report.fonts_io import font_for
from logger_app.report.style import ROLES
from logger_app.report.svg import marker_lines

SCALE = 2  # pixels of the file to one of the page
FINER = 2  # drawn so much larger and made small again: smooth edges
FAINT = 0.55

_Points = Sequence[tuple[float, float]]


def write_png(drawing: layout.Drawing, path: Path) -> None:
    """A figure as a PNG, at `SCALE` times its size on the page."""
    size = round(drawing.width * SCALE), round(drawing.height * SCALE)
    canvas = _Canvas(size[0] * FINER, size[1] * FINER, SCALE * FINER)
    for shape in drawing.shapes:
        canvas.draw(shape)
    canvas.image.resize(size, Image.Resampling.BOX).save(path, "PNG", dpi=(96 * SCALE, 96 * SCALE), optimize=True)


class _Canvas:
    def __init__(self, width: int, height: int, scale: int):
        self.image = Image.new("RGB", (width, height), ROLES["paper"][0])
        self.pen, self.scale = ImageDraw.Draw(self.image), scale

    def draw(self, shape: layout.Shape) -> None:
        """Add a shape of the layout."""
        if isinstance(shape, layout.Stroke):
            self._stroke(shape)
        elif isinstance(shape, layout.Label):
            self._label(shape)
        else:
            self._marker(shape)

    def _at(self, points: _Points) -> list[tuple[float, float]]:
        return [(x * self.scale, y * self.scale) for x, y in points]

    def _line(self, points: _Points, colour: tuple[int, ...], width: float) -> None:
        self.pen.line(self._at(points), colour, max(1, round(width * self.scale)), joint="curve")

    def _stroke(self, stroke: layout.Stroke) -> None:
        colour = _colour(stroke.role, FAINT if stroke.faint else 1.0)
        points = list(stroke.points)
        if stroke.fill:
            self.pen.polygon(self._at(points), _colour(stroke.fill, FAINT if stroke.faint else 1.0))
            points.append(points[0])
        if stroke.width <= 0:
            return
        for part in dashes(points, stroke.dash):
            self._line(part, colour, stroke.width)

    def _marker(self, marker: layout.Marker) -> None:
        edge = _colour(marker.role)
        if marker.shape == "circle":
            around = [marker.x, marker.y, marker.x, marker.y]
            outer, inner = (
                [(at + sign * reach) * self.scale for at, sign in zip(around, (-1, -1, 1, 1))]
                for reach in (marker.size + 0.7, marker.size - 0.7)
            )
            self.pen.ellipse(outer, edge)
            if marker.hollow:
                self.pen.ellipse(inner, _colour("paper"))
            return
        for line in marker_lines(marker.shape, marker.x, marker.y, marker.size):
            if marker.shape == "cross":
                self._line(line, edge, 1.4)
            else:
                self.pen.polygon(self._at(line), _colour("paper") if marker.hollow else edge)
                self._line([*line, *line[:2]], edge, 1.4)

    def _label(self, label: layout.Label) -> None:
        letters = _font(font_for(label.text, label.bold), round(label.size * self.scale))
        anchor = {"start": "ls", "middle": "ms", "end": "rs"}[label.anchor]
        x, y = label.x * self.scale, label.y * self.scale
        if not label.turn:
            self.pen.text((x, y), label.text, _colour(label.role), letters, anchor=anchor)
            return
        # Letters on a square around their own place, turned about its middle.
        reach = int(letters.getlength(label.text) + 2 * label.size * self.scale)
        mask = Image.new("L", (2 * reach, 2 * reach))
        ImageDraw.Draw(mask).text((reach, reach), label.text, 255, letters, anchor=anchor)
        mask = mask.rotate(label.turn, Image.Resampling.BICUBIC)
        self.pen.bitmap((round(x) - reach, round(y) - reach), mask, _colour(label.role))


def dashes(points: _Points, dash: Sequence[float]) -> list[list[tuple[float, float]]]:
    """The parts of a polyline that a dash pattern draws; all of it where there is no pattern.

    Parameters
    ----------
    dash : sequence of float
        Lengths drawn and left out, in turn; an odd number of them is gone through twice.

    Examples
    --------
    >>> dashes([(0, 0), (10, 0)], (4, 2))
    [[(0, 0), (4.0, 0.0)], [(6.0, 0.0), (10, 0)]]
    """
    if not dash or sum(dash) <= 0:
        return [list(points)]
    pattern = list(dash) * (1 + len(dash) % 2)
    parts, k, left = [], 0, pattern[0]
    part = [points[0]]
    for (x, y), end in zip(points, points[1:]):
        length = ((end[0] - x) ** 2 + (end[1] - y) ** 2) ** 0.5
        gone = 0.0
        while length - gone > left:
            gone += left
            at = (x + (end[0] - x) * gone / length, y + (end[1] - y) * gone / length)
            if k % 2 == 0:
                parts.append([*part, at])
            k = (k + 1) % len(pattern)
            part, left = [at], pattern[k]
        left -= length - gone
        part.append(end)
    return parts if k % 2 or len(part) < 2 else [*parts, part]


def _colour(role: str, share: float = 1.0) -> tuple[int, ...]:
    """A role's colour on white; `share` of it, the rest the paper."""
    ink, paper = (ImageColor.getrgb(ROLES[name][0]) for name in (role, "paper"))
    return tuple(round(share * a + (1 - share) * b) for a, b in zip(ink, paper))


@cache
def _font(name: str, size: int):
    folder = font_folder()
    file = folder / f"{name.removeprefix('report-')}.ttf" if folder else None
    return ImageFont.truetype(str(file), size) if file and file.is_file() else ImageFont.load_default(size)
