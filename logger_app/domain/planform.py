"""The wing from above with what is fitted on it, as shapes in millimetres: card, report and screens draw the same.

Pure. Left is the aircraft's left wing, seen from above with the nose up: x grows to the right, y aft. Plain lines of our
own: outline solid, control surfaces thin, a device a short stroke, a continuous strip a thick line.
Main names: `drawing_of`, `Drawing`, `row_problems`, `wing_of`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial

from logger_app.domain.fitted import Fit, device_rows
from logger_app.records.plan import Aircraft, DeviceRow, Planform

# A wing nobody has measured is drawn as a rectangle of this aspect ratio. For the drawing only; common practice, no source.
PLAIN_ASPECT_RATIO = 7.0
# The fuselage in the drawing, of the semispan: it only parts the wings.
GAP_SHARE = 0.06
MAX_STROKES = 80
DEFAULT_CHORD_PCT = 10.0


class Role(StrEnum):
    """What a line of the drawing stands for."""

    OUTLINE = "outline"
    SURFACE = "surface"
    STATION = "station"
    DEVICE = "device"
    STRIP = "strip"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A polyline [mm]; `new` marks what the configuration itself added."""

    points: tuple[tuple[float, float], ...]
    role: Role
    closed: bool = False
    new: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A word at a place [mm], centred."""

    x_mm: float
    y_mm: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Lines and words within `width_mm` x `height_mm`; `note` says what the drawing does not know."""

    lines: tuple[Line, ...]
    texts: tuple[Text, ...]
    width_mm: float
    height_mm: float
    note: str = ""
    description: str = ""
    wing: Planform | None = None

    def place(self, side: str, span_pct: float, chord_pct: float) -> tuple[float, float]:
        """A place on one wing, from the upper left [mm]."""
        if self.wing is None:
            raise ValueError("a drawing without a wing has no places")
        return _place(self.wing, side, span_pct, chord_pct)


def wing_of(aircraft: Aircraft) -> Planform:
    """The aircraft's planform, or a plain rectangle of its wing area (`measured` is then False)."""
    if aircraft.planform is not None and aircraft.planform.measured:
        return aircraft.planform
    span_mm = math.sqrt(aircraft.wing_area_m2 * PLAIN_ASPECT_RATIO) * 1000.0
    chord_mm = span_mm / PLAIN_ASPECT_RATIO
    given = aircraft.planform
    return Planform(
        semispan_mm=span_mm / 2,
        root_chord_mm=chord_mm,
        tip_chord_mm=chord_mm,
        surfaces=given.surfaces if given else (),
        stations=given.stations if given else (),
        measured=False,
    )


def drawing_of(aircraft: Aircraft, fits: Sequence[Fit] = (), configuration: str = "") -> Drawing:
    """Both wings with what is fitted.

    Parameters
    ----------
    fits : sequence of Fit
        From `fitted.fitted_to`.
    configuration : str
        Its own rows are marked as new.
    """
    wing = wing_of(aircraft)
    centre_mm = (1 + GAP_SHARE) * wing.semispan_mm
    lines: list[Line] = []
    texts: list[Text] = []

    place = partial(_place, wing)
    for side in ("left", "right"):
        corners = ((0, 0), (100, 0), (100, 100), (0, 100))
        lines.append(Line(points=tuple(place(side, s, c) for s, c in corners), role=Role.OUTLINE, closed=True))
        for surface in wing.surfaces:
            a, b, hinge = surface.span_from_pct, surface.span_to_pct, surface.chord_from_pct
            box = ((a, 100), (a, hinge), (b, hinge), (b, 100))
            lines.append(Line(points=tuple(place(side, s, c) for s, c in box), role=Role.SURFACE))
            texts.append(
                Text(**dict(zip(("x_mm", "y_mm"), place(side, (a + b) / 2, (hinge + 100) / 2))), text=surface.name)
            )
        x, y = place(side, 50, 131)
        texts.append(Text(x_mm=x, y_mm=y, text=f"{side} wing"))
        for name, span in wing.stations:
            lines.append(Line(points=(place(side, span, 0), place(side, span, 100)), role=Role.STATION))
            x, y = place(side, span, 108)
            texts.append(Text(x_mm=x, y_mm=y, text=name))
    for fit, row in device_rows(fits):
        for side in ("left", "right") if row.side == "both" else (row.side,):
            lines.extend(_row_lines(wing, row, side, place, new=fit.since == configuration))
    height = max(y for line in lines for _, y in line.points)
    notes = (
        []
        if wing.measured
        else ["plain rectangle from the wing area: give semispan_mm and root_chord_mm under [aircraft]"]
    )
    if fits and not device_rows(fits):
        notes.append("where it is fitted is not given: add rows to the change")
    return Drawing(
        lines=tuple(lines),
        texts=tuple(texts),
        width_mm=2 * centre_mm,
        height_mm=1.4 * height,
        note="; ".join(notes),
        description="; ".join(row_words(fit, row) for fit, row in device_rows(fits)) or "nothing is fitted in rows",
        wing=wing,
    )


def _place(wing: Planform, side: str, span_pct: float, chord_pct: float) -> tuple[float, float]:
    gap_mm = GAP_SHARE * wing.semispan_mm
    centre_mm = wing.semispan_mm + gap_mm
    along = gap_mm + wing.semispan_mm * span_pct / 100.0
    y = wing.tip_setback_mm * span_pct / 100.0 + wing.chord_mm(span_pct) * chord_pct / 100.0
    return (centre_mm - along if side == "left" else centre_mm + along, y - min(wing.tip_setback_mm, 0.0))


def _row_lines(wing: Planform, row: DeviceRow, side: str, place, *, new: bool) -> Iterator[Line]:
    """Strokes of a row: one a device where a count is given, else a strip along it."""
    first = DEFAULT_CHORD_PCT if row.chord_from_pct is None else row.chord_from_pct
    last = first if row.chord_to_pct is None else row.chord_to_pct
    ends = ((row.span_from_pct, first), (row.span_to_pct, last))
    if row.count is None or row.count > MAX_STROKES:
        yield Line(points=tuple(place(side, s, c) for s, c in ends), role=Role.STRIP, new=new)
        return
    length_mm = row.size_mm or 0.06 * wing.root_chord_mm
    angle = math.radians(row.angle_deg or 0.0) * (-1 if side == "left" else 1)
    for k in range(row.count):
        share = (k + 0.5) / row.count if row.count == 1 else k / (row.count - 1)
        x, y = place(side, ends[0][0] + share * (ends[1][0] - ends[0][0]), first + share * (last - first))
        dx, dy = math.sin(angle) * length_mm / 2, math.cos(angle) * length_mm / 2
        yield Line(points=((x - dx, y - dy), (x + dx, y + dy)), role=Role.DEVICE, new=new)


def row_words(fit: Fit, row: DeviceRow) -> str:
    """A row in one line: item, side, count, span, chord, angle, spacing, size."""
    words = [fit.change.item, {"both": "both wings", "left": "left wing", "right": "right wing"}[row.side]]
    if row.count is not None and (row.count > 1 or row.side == "both"):
        words.append(f"{row.count} a side" if row.side == "both" else f"{row.count} pieces")
    words.append(f"{row.span_from_pct:g} to {row.span_to_pct:g} % of semispan")
    if row.chord_from_pct is not None:
        to = row.chord_to_pct if row.chord_to_pct is not None else row.chord_from_pct
        chord = f"{row.chord_from_pct:g}" + ("" if to == row.chord_from_pct else f" to {to:g}")
        words.append(f"at {chord} % of chord")
    if row.angle_deg is not None:
        words.append(f"{row.angle_deg:g} deg")
    if row.spacing_mm is not None:
        words.append(f"{row.spacing_mm:g} mm apart")
    if row.size_mm is not None:
        words.append(f"{row.size_mm:g} mm ({row.state})")
    if row.size_pct is not None:
        words.append(f"{row.size_pct:g} % of the base design")
    return ", ".join(words)


def row_problems(aircraft: Aircraft, fits: Sequence[Fit]) -> Iterator[tuple[Fit, DeviceRow, str, str]]:
    """Rows that cannot be: (fit, row, what was got, what was expected)."""
    surfaces = {s.name: s for s in aircraft.planform.surfaces} if aircraft.planform else {}
    rows = device_rows(fits, implied=False)
    for fit, row in rows:
        low, high = 0.0, 100.0
        if row.surface in surfaces:
            low, high = surfaces[row.surface].span_from_pct, surfaces[row.surface].span_to_pct
        if row.span_to_pct <= row.span_from_pct:
            yield (
                fit,
                row,
                f"a row from {row.span_from_pct:g} to {row.span_to_pct:g} % of semispan",
                "an end beyond its start",
            )
        elif row.span_from_pct < low or row.span_to_pct > high:
            yield (
                fit,
                row,
                f"a row from {row.span_from_pct:g} to {row.span_to_pct:g} % of semispan",
                f"within the {row.surface}, {low:g} to {high:g} %",
            )
        for chord in (row.chord_from_pct, row.chord_to_pct):
            if chord is not None and not -5 <= chord <= 105:
                yield fit, row, f"a row at {chord:g} % of chord", f"within the {row.surface}, 0 to 100 %"
    for k, (fit, row) in enumerate(rows):
        for other_fit, other in rows[k + 1 :]:
            if _overlap(row, other):
                yield (
                    fit,
                    row,
                    f"{row.span_from_pct:g} to {row.span_to_pct:g} % of semispan, where {other_fit.change.item} is too "
                    f"({other.span_from_pct:g} to {other.span_to_pct:g} %)",
                    "rows that do not overlap; remove the older one with takes_off",
                )


def _overlap(a: DeviceRow, b: DeviceRow) -> bool:
    if a.surface != b.surface or (a.side != b.side and "both" not in (a.side, b.side)):
        return False
    low, high = max(a.span_from_pct, b.span_from_pct), min(a.span_to_pct, b.span_to_pct)
    if high <= low or a.chord_from_pct is None or b.chord_from_pct is None:
        return False
    gaps = [_chord_at(a, s) - _chord_at(b, s) for s in (low, high)]
    return gaps[0] * gaps[1] <= 0 or min(map(abs, gaps)) < 1.0


def _chord_at(row: DeviceRow, span_pct: float) -> float:
    first = row.chord_from_pct or 0.0
    last = first if row.chord_to_pct is None else row.chord_to_pct
    share = (span_pct - row.span_from_pct) / (row.span_to_pct - row.span_from_pct)
    return first + share * (last - first)
