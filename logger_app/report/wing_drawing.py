"""The planform with what is fitted, as shapes of the report: page and PDF draw the same. Main name: `wing_figure`."""

from __future__ import annotations

from logger_app.domain.planform import Drawing, Role
from logger_app.report import layout

WIDTH_PX = 460.0
STROKES = {
    Role.OUTLINE: ("axis", 1.4, ()),
    Role.SURFACE: ("axis", 0.8, ()),
    Role.STATION: ("grid", 0.8, (2.0, 3.0)),
    Role.DEVICE: ("muted", 1.4, ()),
    Role.STRIP: ("muted", 2.4, ()),
}


def wing_figure(drawing: Drawing, id: str, title: str) -> layout.Drawing:
    """A planform in pixels; what is new in its configuration is thick and dark, the rest of the fit grey."""
    scale = WIDTH_PX / drawing.width_mm
    height = drawing.height_mm * scale
    shapes: list[layout.Shape] = []
    for line in drawing.lines:
        role, width, dash = STROKES[line.role]
        points = tuple((x * scale, y * scale) for x, y in line.points)
        shapes.append(
            layout.Stroke(
                points=(*points, points[0]) if line.closed else points,
                role="s1" if line.new else role,
                width=width * (2.0 if line.new else 1.0),
                dash=dash,
            )
        )
    for text in drawing.texts:
        shapes.append(
            layout.Label(
                x=text.x_mm * scale, y=text.y_mm * scale + 4, text=text.text, role="muted", size=10.0, anchor="middle"
            )
        )
    if drawing.note:
        height += 16
        shapes.append(layout.Label(x=2, y=height - 4, text=drawing.note, role="muted", size=10.0))
    return layout.Drawing(
        id=id, title=title, says=drawing.description, width=WIDTH_PX, height=height, shapes=tuple(shapes)
    )
