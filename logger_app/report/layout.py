"""A figure's data to strokes, labels and markers in pixels, y downwards. Pure; knows no file format.

Both the page and the PDF draw these same shapes, so a figure looks the same in both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

from logger_app.report.plot import Axis, Figure, Grid, Key, Picture
from logger_app.report.style import FONT_PX, SMALL_PX, look_of, role_of

# Mean advance of a sans-serif letter as a share of its size; only for leaving room.
LETTER = 0.54


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A polyline; `fill` closes it."""

    points: tuple[tuple[float, float], ...]
    role: str = "ink"
    width: float = 1.0
    dash: tuple[float, ...] = ()
    fill: str | None = None
    faint: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A line of text; `turn` is degrees anticlockwise."""

    x: float
    y: float
    text: str
    role: str = "ink"
    size: float = FONT_PX
    anchor: str = "start"
    bold: bool = False
    turn: float = 0.0
    link: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A marker, optionally a link, with words for a pointer that rests on it."""

    x: float
    y: float
    shape: str
    role: str
    size: float = 4.0
    hollow: bool = False
    link: str = ""
    description: str = ""


Shape: TypeAlias = Stroke | Label | Marker


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A laid-out figure."""

    id: str
    title: str
    description: str
    width: float
    height: float
    shapes: tuple[Shape, ...]


@dataclass(frozen=True, slots=True)
class _Box:
    """The plot's rectangle and its scales."""

    left: float
    top: float
    right: float
    bottom: float
    figure: Figure

    def x(self, value: float) -> float:
        axis = self.figure.x
        return self.left + (value - axis.low) / (axis.high - axis.low) * (self.right - self.left)

    def y(self, value: float) -> float:
        axis = self.figure.y
        return self.bottom - (value - axis.low) / (axis.high - axis.low) * (self.bottom - self.top)


def lay_out(figure: Picture) -> Drawing:
    """Place everything of a figure, given in the units of its axes."""
    if isinstance(figure, Grid):
        return _lay_out_grid(figure)
    key_shapes, key_height = _keys(figure.keys, figure.left, figure.width)
    top = 12.0 + key_height + (20.0 if figure.heading else 0.0)
    box = _Box(
        figure.left, top, figure.width - figure.right, figure.height - (46.0 if figure.x.label else 30.0), figure
    )
    shapes: list[Shape] = []
    if figure.heading:
        shapes.append(Label(x=figure.left, y=top - 8, text=figure.heading, bold=True, size=SMALL_PX))
    shapes += _frame(box)
    for square in figure.squares:
        shapes += _square(box, square)
    for rule in figure.rules:
        shapes += _rule(box, rule)
    for line in figure.lines:
        points = tuple((box.x(x), box.y(y)) for x, y in zip(line.xs, line.ys, strict=True))
        look = look_of(line.series)
        shapes.append(Stroke(points=points, role=role_of(line.series), width=1.5, dash=look.dash, faint=line.faint))
    for event in figure.events:
        shapes += _event(box, event)
    for bar in figure.bars:
        shapes += _bar(box, bar)
    for dot in figure.dots:
        shapes += _dot(box, dot)
    return Drawing(
        id=figure.id,
        title=figure.title,
        description=figure.description,
        width=figure.width,
        height=figure.height,
        shapes=tuple(shapes + key_shapes),
    )


def _lay_out_grid(grid: Grid) -> Drawing:
    """Panels in rows on one scale: the y axis is written at the left of each row, the x axis under the last one."""
    keys, top = _keys(grid.keys, 58.0, grid.width)
    shapes: list[Shape] = list(keys)
    columns = max(min(grid.columns, len(grid.panels)), 1)
    first = grid.panels[0].left
    plot = (grid.width - first - 36.0 * (columns - 1) - 14.0 * columns) / columns
    for k in range(0, len(grid.panels), columns):
        x = 0.0
        for n, panel in enumerate(grid.panels[k : k + columns]):
            left = first if n == 0 else 36.0
            y = panel.y if n == 0 else replace(panel.y, label="")
            placed = replace(panel, y=y, left=left, width=left + plot + 14.0)
            shapes += [_moved(shape, x, top) for shape in lay_out(placed).shapes]
            x += placed.width
        top += max(panel.height for panel in grid.panels[k : k + columns])
    return Drawing(
        id=grid.id, title=grid.title, description=grid.description, width=grid.width, height=top, shapes=tuple(shapes)
    )


def _moved(shape: Shape, dx: float, dy: float) -> Shape:
    if isinstance(shape, Stroke):
        return replace(shape, points=tuple((x + dx, y + dy) for x, y in shape.points))
    return replace(shape, x=shape.x + dx, y=shape.y + dy)


def text_width(text: str, size: float) -> float:
    """About how wide a line of text is [px], in letters of a size [px]."""
    return len(text) * size * LETTER


def tick_text(value: float, ticks: tuple[float, ...]) -> str:
    """A tick's number with as many places as its neighbours need, and a true minus sign."""
    places = 0
    while places < 3 and any(abs(t - round(t, places)) > 1e-6 for t in ticks):
        places += 1
    return f"{value:.{places}f}".replace("-", "\N{MINUS SIGN}")


def _frame(box: _Box) -> list[Shape]:
    shapes: list[Shape] = []
    x, y = box.figure.x, box.figure.y
    for tick in x.ticks:
        shapes.append(Stroke(points=((box.x(tick), box.top), (box.x(tick), box.bottom)), role="grid", width=0.7))
        shapes.append(_label(box.x(tick), box.bottom + 16, tick_text(tick, x.ticks), anchor="middle"))
    for tick in y.ticks:
        shapes.append(Stroke(points=((box.left, box.y(tick)), (box.right, box.y(tick))), role="grid", width=0.7))
        shapes.append(_label(box.left - 7, box.y(tick) + 4, tick_text(tick, y.ticks), anchor="end"))
    shapes += _names(box, x, across=True) + _names(box, y, across=False)
    shapes.append(Stroke(points=((box.left, box.bottom), (box.right, box.bottom)), role="axis", width=1.0))
    middle = (box.left + box.right) / 2
    if x.label:
        shapes.append(Label(x=middle, y=box.figure.height - 8, text=x.label, anchor="middle", role="ink"))
    if y.label:
        shapes.append(Label(x=15, y=(box.top + box.bottom) / 2, text=y.label, anchor="middle", turn=90))
    return shapes


def _names(box: _Box, axis: Axis, across: bool) -> list[Shape]:
    shapes: list[Shape] = []
    wide = max((text_width(name, SMALL_PX) for name in axis.names), default=0.0)
    tilted = across and wide > 0.96 * (box.right - box.left) / max(len(axis.names), 1)
    for k, name in enumerate(axis.names):
        note = axis.notes[k] if k < len(axis.notes) else ""
        link = axis.links[k] if k < len(axis.links) else ""
        if across:
            label = _label(box.x(k), box.bottom + 16, name, anchor="end" if tilted else "middle")
            shapes.append(replace(label, turn=35.0, x=label.x + 6) if tilted else label)
            continue
        y = box.y(k)
        shapes.append(Label(x=box.left - 10, y=y + (-1 if note else 4), text=name, anchor="end", bold=True, link=link))
        if axis.values_head and k == len(axis.names) - 1:
            head = Label(x=box.right + 10, y=box.top + 2, text=axis.values_head, role="muted", size=SMALL_PX)
            shapes.append(head)
        if k < len(axis.values):
            shapes.append(Label(x=box.right + 10, y=y + 4, text=axis.values[k], size=SMALL_PX))
        if note:
            shapes.append(Label(x=box.left - 10, y=y + 12, text=note, anchor="end", role="muted", size=SMALL_PX))
    return shapes


def _label(x: float, y: float, text: str, anchor: str) -> Label:
    return Label(x=x, y=y, text=text, anchor=anchor, role="muted", size=SMALL_PX)


def _rule(box: _Box, rule) -> list[Shape]:
    role, width, dash = ("ink", 1.2, ()) if rule.strong else ("muted", 1.0, (4, 3))
    if rule.upright:
        x = box.x(rule.at)
        shapes: list[Shape] = [Stroke(points=((x, box.top), (x, box.bottom)), role=role, width=width, dash=dash)]
        if rule.word:
            room = x + 8 + text_width(rule.word, SMALL_PX) < box.figure.width
            at, anchor = (x + 4, "start") if room else (x - 4, "end")
            shapes.append(Label(x=at, y=box.top + 11, text=rule.word, role="muted", size=SMALL_PX, anchor=anchor))
        return shapes
    y = box.y(rule.at)
    shapes = [Stroke(points=((box.left, y), (box.right, y)), role=role, width=width, dash=dash)]
    if rule.word:
        shapes.append(Label(x=box.right - 4, y=y - 4, text=rule.word, role="muted", size=SMALL_PX, anchor="end"))
    return shapes


def _event(box: _Box, event) -> list[Shape]:
    x, y = box.x(event.x), box.y(event.y)
    role = role_of(event.series)
    if not event.word:
        return [Stroke(points=((x, y - 8), (x, y + 8)), role=role, width=2.0)]
    return [
        Stroke(points=((box.x(0.0), y), (x, y)), role=role, width=1.2, dash=look_of(event.series).dash),
        Label(x=x + 5, y=y + 4, text=event.word, role=role, bold=True),
    ]


def _bar(box: _Box, bar) -> list[Shape]:
    role = role_of(bar.series)
    if bar.upright:
        axis, x, at = box.figure.y, box.x(bar.y), box.y(bar.at)
        low, high = box.y(max(bar.low, axis.low)), box.y(min(bar.high, axis.high))
        return [
            Stroke(points=((x, low), (x, high)), role=role, width=2.2),
            Stroke(points=((x - 7, at), (x + 7, at)), role=role, width=2.2),
        ]
    y = box.y(bar.y)
    low, high = box.x(bar.low), box.x(bar.high)
    ends: list[Shape] = [Stroke(points=((x, y - 5), (x, y + 5)), role=role, width=1.8) for x in (low, high)]
    if bar.inner:
        ends.append(Stroke(points=tuple((box.x(x), y) for x in bar.inner), role=role, width=6.5))
    return [
        Stroke(points=((low, y), (high, y)), role=role, width=1.6 if bar.inner else 2.2),
        *ends,
        Marker(
            x=box.x(bar.at),
            y=y,
            shape=look_of(bar.series).marker,
            role=role,
            size=5.5,
            hollow=bar.hollow,
            link=bar.link,
            description=bar.description,
        ),
    ]


def _dot(box: _Box, dot) -> list[Shape]:
    x, y, role = box.x(dot.x), box.y(dot.y), role_of(dot.series)
    shapes: list[Shape] = []
    if dot.x_half:
        half = abs(box.x(dot.x + dot.x_half) - x)
        shapes.append(Stroke(points=((x - half, y), (x + half, y)), role=role, width=1.0))
    if dot.y_half:
        half = abs(box.y(dot.y + dot.y_half) - y)
        shapes.append(Stroke(points=((x, y - half), (x, y + half)), role=role, width=1.0))
    shape = "cross" if dot.struck else look_of(dot.series).marker
    shapes.append(
        Marker(
            x=x, y=y, shape=shape, role=role, size=4.2, hollow=dot.hollow, link=dot.link, description=dot.description
        )
    )
    return shapes


def _square(box: _Box, square) -> list[Shape]:
    left, right = box.x(square.x - 0.46), box.x(square.x + 0.46)
    bottom, top = box.y(square.y - 0.42), box.y(square.y + 0.42)
    edges = (left, top, right, bottom)
    if square.tinted:
        shapes = _tinted(edges, square.shade or 0, role_of(square.series), square.proposed, square.across)
    else:
        shapes = _patch(edges, square.shade, role_of(square.series), square.proposed)
    if word := square.word or ("?" if square.shade is None else ""):
        role, size = ("ink", SMALL_PX) if square.word else ("muted", FONT_PX)
        shapes.append(
            Label(x=(left + right) / 2, y=(top + bottom) / 2 + 4, text=word, role=role, size=size, anchor="middle")
        )
    return shapes


def _tinted(
    edges: tuple[float, float, float, float], shade: int, role: str, proposed: bool, across: bool
) -> list[Shape]:
    """A box with a tint and, along its lower edge so that a word can be read, as much hatching: colour and pattern agree."""
    left, top, right, bottom = edges
    corners = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    fill = f"tone{shade}" if shade else "paper"
    shapes: list[Shape] = [Stroke(points=corners, role=role, dash=(3, 2) if proposed else (), fill=fill)]
    for k in range(3 * shade if not across else shade):
        if across:
            y = bottom - 2 - 2.2 * k
            shapes.append(Stroke(points=((left + 3, y), (right - 3, y)), role=role, width=1.0))
        else:
            x = left + (k + 1) / (3 * shade + 1) * (right - left)
            shapes.append(Stroke(points=((x, bottom - 6.5), (x, bottom - 1.5)), role=role, width=1.0))
    return shapes


def _patch(
    edges: tuple[float, float, float, float], shade: int | None, role: str, proposed: bool = False
) -> list[Shape]:
    """A box with hatching, not shade: it prints in grey and does not lean on colour."""
    left, top, right, bottom = edges
    corners = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    shapes: list[Shape] = [Stroke(points=corners, role=role, dash=(3, 2) if proposed else (), fill="paper")]
    strokes = 2 * (shade or 0)
    for k in range(1, strokes + 1):
        x = left + k / (strokes + 1) * (right - left)
        shapes.append(Stroke(points=((x, top + 1.5), (x, bottom - 1.5)), role=role, width=1.0 + 0.4 * (shade or 0)))
    return shapes


def _keys(keys: tuple[Key, ...], left: float, limit: float) -> tuple[list[Shape], float]:
    """The legend, above the plot, wrapped to the width."""
    if not keys:
        return [], 0.0
    shapes: list[Shape] = []
    x, y = left, 12.0
    for key in keys:
        width = 30 + text_width(key.word, FONT_PX) + 14
        if x + width > limit and x > left:
            x, y = left, y + 18
        role = "muted" if key.series is None else role_of(key.series)
        if key.shade is not None:
            shapes += _patch((x, y - 7, x + 24, y + 7), key.shade, role)
        elif key.tick:
            shapes.append(Stroke(points=((x + 12, y - 7), (x + 12, y + 7)), role=role, width=2.0))
        elif key.line and key.series is not None:
            shapes.append(Stroke(points=((x, y), (x + 24, y)), role=role, width=1.5, dash=look_of(key.series).dash))
        if not key.tick and key.shade is None:
            shape = "cross" if key.struck else look_of(key.series or 0).marker
            shapes.append(Marker(x=x + 12, y=y, shape=shape, role=role, size=4.2, hollow=key.hollow))
        shapes.append(Label(x=x + 30, y=y + 4, text=key.word))
        x += width
    return shapes, y + 6.0
