"""The planform with what is fitted, as shapes of the report: page and PDF draw the same. Main name: `wing_figure`."""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.domain.planform import Drawing, Role
from logger_app.domain.station_ratios import StationRatio
from logger_app.report import layout

WIDTH_PX = 460.0
STROKES = {
    Role.OUTLINE: ("axis", 1.4, ()),
    Role.SURFACE: ("axis", 0.8, ()),
    Role.STATION: ("grid", 0.8, (2.0, 3.0)),
    Role.DEVICE: ("muted", 1.4, ()),
    Role.STRIP: ("muted", 2.4, ()),
}


# Ratio to the stall speed from which a station counts as letting go early, with marker and size: a shape for each, so
# that grey print tells them apart.
CLASSES = ((1.10, "square", 5.0, False), (1.05, "triangle", 4.0, False), (1.0, "circle", 3.0, True))


def wing_figure(drawing: Drawing, id: str, title: str, stations: Sequence[StationRatio] = ()) -> layout.Drawing:
    """A planform in pixels; what is new in its configuration is thick and dark, the rest of the fit grey.

    Stations are drawn where they are on the wing: a square let go at 1.1 times the stall speed or faster, a triangle from
    1.05, a hollow circle nearer the stall, a cross never before it. Percent of span is that of the tuft grid.
    """
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
    for one in stations:
        if one.span_pct is None or one.chord_pct is None:
            continue
        x, y = drawing.place(one.wing, one.span_pct, one.chord_pct)
        shape, size, hollow = next(
            ((shape, size, hollow) for ratio, shape, size, hollow in CLASSES if one.ratio and one.ratio >= ratio),
            ("cross", 2.5, False),
        )
        seen = f"{one.ratio:.2f} Vs" if one.ratio else "not before the stall"
        shapes.append(
            layout.Marker(
                x=x * scale,
                y=y * scale,
                shape=shape,
                role="ink",
                size=size,
                hollow=hollow,
                description=f"{one.wing} wing {one.station}: {seen}, {one.separated} of {one.runs} runs",
            )
        )
    if drawing.note:
        height += 16
        shapes.append(layout.Label(x=2, y=height - 4, text=drawing.note, role="muted", size=10.0))
    return layout.Drawing(
        id=id, title=title, description=drawing.description, width=WIDTH_PX, height=height, shapes=tuple(shapes)
    )
