"""Shapes to a reportlab drawing: the second backend of the same figures. Light colours, for paper."""

from __future__ import annotations

from reportlab.graphics.shapes import Circle, Drawing, Group, Polygon, PolyLine, String
from reportlab.lib import colors

from logger_app.report import layout
from logger_app.report.fonts_io import font_for
from logger_app.report.style import ROLES
from logger_app.report.svg import marker_lines


def to_drawing(drawing: layout.Drawing, width: float) -> Drawing:
    """A reportlab drawing, scaled to a width.

    Parameters
    ----------
    width : float
        Width wanted [pt].
    """
    scale = width / drawing.width
    result = Drawing(width, drawing.height * scale)
    group = Group(transform=(scale, 0, 0, -scale, 0, drawing.height * scale))
    for shape in drawing.shapes:
        for part in _parts(shape):
            group.add(part)
    result.add(group)
    return result


def _colour(role: str):
    return colors.HexColor(ROLES[role][0])


def _stroke(stroke: layout.Stroke) -> list:
    flat = [value for point in stroke.points for value in point]
    look = {
        "strokeColor": _colour(stroke.role),
        "strokeWidth": stroke.width,
        "strokeDashArray": list(stroke.dash) or None,
        "strokeOpacity": 0.55 if stroke.faint else 1.0,
    }
    if stroke.fill:
        return [Polygon(flat, fillColor=_colour(stroke.fill), **look)]
    return [PolyLine(flat, fillColor=None, **look)]


def _label(label: layout.Label) -> list:
    text = String(
        0,
        0,
        label.text,
        fontName=font_for(label.text, label.bold),
        fontSize=label.size,
        fillColor=_colour(label.role),
        textAnchor=label.anchor,
    )
    # The figure's y runs down and the paper's up: flip the letters back, at their own place.
    group = Group(text, transform=(1, 0, 0, -1, label.x, label.y))
    if label.turn:
        group.rotate(label.turn)
    return [group]


def _marker(marker: layout.Marker) -> list:
    edge = _colour(marker.role)
    fill = _colour("paper") if marker.hollow else edge
    if marker.shape == "circle":
        return [Circle(marker.x, marker.y, marker.size, fillColor=fill, strokeColor=edge, strokeWidth=1.4)]
    parts = []
    for line in marker_lines(marker.shape, marker.x, marker.y, marker.size):
        flat = [value for point in line for value in point]
        if marker.shape == "cross":
            parts.append(PolyLine(flat, strokeColor=edge, strokeWidth=1.4))
        else:
            parts.append(Polygon(flat, fillColor=fill, strokeColor=edge, strokeWidth=1.4))
    return parts


def _parts(shape: layout.Shape) -> list:
    if isinstance(shape, layout.Stroke):
        return _stroke(shape)
    return _label(shape) if isinstance(shape, layout.Label) else _marker(shape)
