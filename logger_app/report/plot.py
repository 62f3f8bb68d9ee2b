"""What a figure is, as data: axes and layers in the units of the axes. Knows no pixels.

`figures` makes these from results, `layout` turns them into strokes, labels and markers, `svg`
and `figures_pdf` draw those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis with its label (unit in it), range and ticks; `names` makes it a list of categories."""

    label: str
    low: float
    high: float
    ticks: tuple[float, ...] = ()
    names: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()  # a second, quieter line under each name
    links: tuple[str, ...] = ()
    values: tuple[str, ...] = ()  # what is written at the other end of each name's line
    values_head: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """One value. `hollow` marks what nobody has reviewed; `struck` what was left out of a fit."""

    x: float
    y: float
    series: int = 0
    hollow: bool = False
    struck: bool = False
    link: str = ""
    description: str = ""
    x_half: float = 0.0
    y_half: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line through points, in a configuration's dash."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    series: int = 0
    faint: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """An interval along x at a place on y, with its middle."""

    low: float
    high: float
    at: float
    y: float
    series: int = 0
    hollow: bool = False
    link: str = ""
    description: str = ""
    upright: bool = False  # an interval along y at a place on x instead, its middle a short line
    inner: tuple[float, float] | None = None  # a second, narrower interval, drawn thick


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened at a place: a tick, with a word above it if there is one."""

    x: float
    y: float
    word: str
    series: int = 0
    description: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A reference line across the plot; `upright` at a value of x, else of y."""

    at: float
    upright: bool
    word: str = ""
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Square:
    """A patch of a map, one unit wide: `shade` 0 to 3 (hatching grows with it), or None for not seen; `word` stands in it."""

    x: float
    y: float
    shade: int | None
    series: int = 0
    proposed: bool = False
    description: str = ""
    word: str = ""
    tinted: bool = False  # a coloured ground as well, for maps with a word in each patch
    across: bool = False  # the hatching lies instead of standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One entry of the legend."""

    word: str
    series: int | None = None
    line: bool = False
    hollow: bool = False
    struck: bool = False
    tick: bool = False
    shade: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure. `see` says in one line what to see; `says` is the alternative text; `caption` says how it was drawn.

    `heading` stands in the figure, at its top: for panels of a grid.
    """

    id: str
    title: str
    description: str
    x: Axis
    y: Axis
    see: str = ""
    caption: str = ""
    heading: str = ""
    dots: tuple[Dot, ...] = ()
    lines: tuple[Line, ...] = ()
    bars: tuple[Bar, ...] = ()
    events: tuple[Event, ...] = ()
    rules: tuple[Rule, ...] = ()
    squares: tuple[Square, ...] = ()
    keys: tuple[Key, ...] = ()
    width: float = 720.0
    height: float = 380.0
    left: float = 58.0
    right: float = 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Small multiples: panels on one scale, in rows of `columns`; their axis labels stand once."""

    id: str
    title: str
    description: str
    panels: tuple[Figure, ...]
    columns: int
    see: str = ""
    caption: str = ""
    keys: tuple[Key, ...] = ()
    width: float = 720.0
    squares: tuple[Square, ...] = ()  # none: what asks a figure for them may ask a grid


Picture = Figure | Grid


def nice_ticks(low: float, high: float, wanted: int = 7, integers: bool = False) -> tuple[float, ...]:
    """Round values that cover a range, steps of 1, 2 or 5 times a power of ten; of 1 at least where `integers`.

    Examples
    --------
    >>> nice_ticks(41.2, 60.0, 5)
    (45.0, 50.0, 55.0, 60.0)
    >>> nice_ticks(-0.4, 1.3, integers=True)
    (0.0, 1.0)
    """
    span = max(high - low, 1e-9)
    rough = span / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = min((m * power for m in (1, 2, 5, 10)), key=lambda s: abs(math.log(s / rough)))
    step = max(step, 1.0) if integers else step
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(round(k * step, 10) + 0.0 for k in range(first, last + 1))


def fitted_range(values, least: float, pad: float = 0.06) -> tuple[float, float]:
    """A range that holds all values with some air, at least `least` wide.

    Parameters
    ----------
    pad : float
        Share of the width left free at each end.
    """
    values = list(values)
    low, high = min(values), max(values)
    middle, half = (low + high) / 2, max((high - low) / 2, least / 2) * (1 + 2 * pad)
    return middle - half, middle + half
