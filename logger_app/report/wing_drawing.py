"""The planform with what is fitted, as shapes of the report: page and PDF draw the same. Main names: `wing_figure`, `MAP_WORDS`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logger_app.domain.planform import Drawing, Role
from logger_app.domain.station_ratios import Release, StationRatio
from logger_app.report import layout

WIDTH_PX = 460.0
STROKES = {
    Role.OUTLINE: ("axis", 1.4, ()),
    Role.SURFACE: ("axis", 0.8, ()),
    Role.STATION: ("grid", 0.8, (2.0, 3.0)),
    Role.DEVICE: ("muted", 1.4, ()),
    Role.STRIP: ("muted", 2.4, ()),
}


# Each class has a marker (shape, size, hollow), a tone and a pattern of lines, so that grey print and a colour-blind
# reader lose nothing. A pattern is the directions of its hatching: 1 down along the chord, -1 up, 0 along the span.
MARKERS = {
    Release.EARLY: ("square", 4.0, False),
    Release.MIDDLE: ("triangle", 3.5, False),
    Release.LATE: ("circle", 3.0, True),
    Release.AFTER: ("cross", 2.5, False),
    Release.NEVER: ("cross", 2.5, False),
}
FIELDS: dict[Release, tuple[str, tuple[int, ...]]] = {
    Release.EARLY: ("tone3", (1, -1)),
    Release.MIDDLE: ("tone2", (1,)),
    Release.LATE: ("tone1", (0,)),
    Release.AFTER: ("band", ()),
    Release.NEVER: ("paper", ()),
}
HATCH_STEPS = (-2 / 3, -1 / 3, 0.0, 1 / 3, 2 / 3)
MAP_WORDS = (
    "Tufts: crossed lines and a square, "
    + Release.EARLY
    + "; slanted lines and a triangle, "
    + Release.MIDDLE
    + "; level lines and a circle, "
    + Release.LATE
    + "; plain with a cross, "
    + Release.AFTER
    + "; white with a cross, "
    + Release.NEVER
    + "; diamond, reattached before the stall. Span as in the tuft grid."
)


def wing_figure(drawing: Drawing, id: str, title: str, stations: Sequence[StationRatio] = ()) -> layout.Drawing:
    """A planform in pixels; what is new in its configuration is thick and dark, the rest of the fit grey.

    Stations are drawn where they are on the wing, each with the field up to half way to its neighbours: what tone, pattern
    and marker mean is in `MAP_WORDS`. Percent of span is that of the tuft grid.
    """
    scale = WIDTH_PX / drawing.width_mm
    height = drawing.height_mm * scale
    placed = [one for one in stations if one.span_pct is not None and one.chord_pct is not None]
    shapes: list[layout.Shape] = [shape for one in placed for shape in _field(drawing, one, placed, scale)]
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
    for one in placed:
        x, y = _at(drawing, one.wing, one.span_pct or 0.0, one.chord_pct or 0.0, scale)
        shape, size, hollow = MARKERS[one.release]
        if one.reattached:
            shapes.append(layout.Marker(x=x, y=y, shape="diamond", role="ink", size=size + 3.5, hollow=True))
        shapes.append(
            layout.Marker(
                x=x,
                y=y,
                shape=shape,
                role="ink",
                size=size,
                hollow=hollow,
                description=f"{one.wing} wing {one.station}: {one.words}",
            )
        )
    for part in drawing.note.split("; ") if drawing.note else ():
        height += 14
        shapes.append(layout.Label(x=2, y=height - 4, text=part, role="muted", size=10.0))
    return layout.Drawing(
        id=id, title=title, description=drawing.description, width=WIDTH_PX, height=height, shapes=tuple(shapes)
    )


def _at(drawing: Drawing, wing: str, span_pct: float, chord_pct: float, scale: float) -> tuple[float, float]:
    x, y = drawing.place(wing, span_pct, chord_pct)
    return x * scale, y * scale


def _field(
    drawing: Drawing, one: StationRatio, stations: Sequence[StationRatio], scale: float
) -> Iterator[layout.Shape]:
    """The area around a station, toned, with its pattern in one stroke a direction."""
    mine = [other for other in stations if other.wing == one.wing]
    s0, s1 = _around(one.span_pct or 0.0, {other.span_pct or 0.0 for other in mine})
    c0, c1 = _around(one.chord_pct or 0.0, {other.chord_pct or 0.0 for other in mine})

    def at(u: float, v: float) -> tuple[float, float]:
        return _at(drawing, one.wing, s0 + u * (s1 - s0), c0 + v * (c1 - c0), scale)

    tone, directions = FIELDS[one.release]
    corners = ((0, 0), (1, 0), (1, 1), (0, 1), (0, 0))
    yield layout.Stroke(points=tuple(at(*corner) for corner in corners), role="grid", width=0.6, fill=tone)
    for way in directions:
        ends: list[tuple[float, float]] = []
        for k, d in enumerate(HATCH_STEPS):
            pair = [(0.0, (d + 1) / 2), (1.0, (d + 1) / 2)]
            if way:
                pair = [(max(0.0, d), max(0.0, -d)), (min(1.0, 1 + d), min(1.0, 1 - d))]
            if way < 0:
                pair = [(u, 1 - v) for u, v in pair]
            ends += pair if k % 2 == 0 else pair[::-1]  # back and forth: the turns lie on the edges
        yield layout.Stroke(points=tuple(at(*end) for end in ends), role="axis", width=0.5)


def _around(at: float, every: set[float]) -> tuple[float, float]:
    """Half way to the neighbours; as far outward as inward at the ends, within 0 to 100."""
    below, above = max((v for v in every if v < at), default=None), min((v for v in every if v > at), default=None)
    if below is None and above is None:
        return max(0.0, at - 15.0), min(100.0, at + 15.0)
    down = (at - below) / 2 if below is not None else ((above or at) - at) / 2
    up = (above - at) / 2 if above is not None else down
    return max(0.0, at - down), min(100.0, at + up)
