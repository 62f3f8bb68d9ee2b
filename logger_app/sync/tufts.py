"""What the wing did: tuft stations laid over the picture, their states, and what follows from them. Pure.

A grid is placed once a camera: its four corners on the wing, root leading edge first. A state is
a person's observation of one station on one frame; a proposal of the assist is kept apart until
somebody decides. Not for judging pictures (see `tuft_assist`).

Main names: `TuftState`, `Grid`, `places`, `TuftMark`, `standing`, `first_separated`, `span_map`, `difference_map`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logger_app.errors import SyncError

MAX_STATIONS = 400


class TuftState(StrEnum):
    """How a tuft moves, least to most separated; the wording is the handbook's, section 7."""

    ATTACHED = "attached"
    UNSTEADY = "unsteady"
    SEPARATED = "separated"
    REVERSED = "reversed"
    NOT_VISIBLE = "not visible"


STATES = tuple(TuftState)
MEANINGS = {
    TuftState.ATTACHED: "steady, aligned with the local flow (small flutter)",
    TuftState.UNSTEADY: "large oscillation, still mainly aft",
    TuftState.SEPARATED: "whipping, lifting from the surface, random",
    TuftState.REVERSED: "points forward of 90 deg to the local chord line, tip toward the leading edge",
    TuftState.NOT_VISIBLE: "lost or obscured",
}
GONE = frozenset({TuftState.SEPARATED, TuftState.REVERSED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A tuft's place on the wing, in percent of the span shown and of the local chord."""

    id: str
    span_pct: float
    chord_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Stations of one camera.

    `corners` are fractions of the picture's width and height from its upper left: root leading
    edge, tip leading edge, tip trailing edge, root trailing edge. `span_pct` and `chord_pct` are
    where rows of tufts were stuck, measured on the wing.
    """

    camera: str
    corners: tuple[tuple[float, float], ...]
    span_pct: tuple[float, ...] = (10.0, 30.0, 50.0, 70.0, 90.0)
    chord_pct: tuple[float, ...] = (20.0, 50.0, 80.0)

    def __post_init__(self):
        numbers = [value for corner in self.corners for value in corner]
        if len(self.corners) != 4 or len(numbers) != 8 or not all(abs(value) <= 10 for value in numbers):
            raise SyncError(
                f"tuft grid of camera {self.camera}: got corners {self.corners}; expected four points in fractions of the picture"
            )
        for name, values in (("span", self.span_pct), ("chord", self.chord_pct)):
            good = values and all(0 <= v <= 100 for v in values) and all(b > a for a, b in itertools.pairwise(values))
            if not good:
                raise SyncError(
                    f"tuft grid of camera {self.camera}: got {name} stations {values}; expected rising percentages from 0 to 100"
                )
        if len(self.span_pct) * len(self.chord_pct) > MAX_STATIONS:
            raise SyncError(
                f"tuft grid of camera {self.camera}: got {len(self.span_pct) * len(self.chord_pct)} stations; expected at most {MAX_STATIONS}"
            )
        if not _convex(self.corners):
            raise SyncError(
                f"tuft grid of camera {self.camera}: the four corners cross or lie on a line; "
                "expected root leading edge, tip leading edge, tip trailing edge, root trailing edge, going round"
            )

    def stations(self) -> tuple[Station, ...]:
        """All stations, root to tip, leading to trailing edge; ``50/20`` is half span, 20 % chord."""
        return tuple(
            Station(id=f"{span:02g}/{chord:02g}", span_pct=span, chord_pct=chord)
            for span in self.span_pct
            for chord in self.chord_pct
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A station in the picture: its pixel, the unit vector aft along the local chord, half the way to its neighbours [px]."""

    station: Station
    x: float
    y: float
    aft_x: float
    aft_y: float
    reach: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TuftMark:
    """One station on one frame. `proposed`: the assist named it and nobody decided."""

    flight_ns: int
    camera: str
    frame_pts: int
    station: str
    state: TuftState
    ias_kt: float | None = None
    who: str = ""
    proposed: bool = False
    confidence: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstSeparated:
    """When a station first separated as the speed fell.

    `ias_kt` is the highest speed with the state separated or reversed, None where it never was;
    `clear_kt` the lowest speed above it (or of all) at which it was seen and was not; `proposed`
    says that the speed rests on a proposal.
    """

    station: str
    ias_kt: float | None
    clear_kt: float | None
    proposed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanMap:
    """States of a configuration: one row a station, one column a speed, fast to slow; None where not looked at."""

    configuration: str
    stations: tuple[str, ...]
    speeds_kt: tuple[float, ...]
    states: tuple[tuple[TuftState | None, ...], ...]
    first: tuple[FirstSeparated, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StationDifference:
    """First separation, changed minus reference [kt]: negative is a later separation. `words` says it, bounds too."""

    station: str
    difference_kt: float | None
    words: str
    proposed: bool = False


def homography(corners: Sequence[Sequence[float]]) -> np.ndarray:
    """The projective map from the unit square to four points.

    Parameters
    ----------
    corners : sequence of 4 (x, y)
        Images of (0, 0), (1, 0), (1, 1), (0, 1).

    Returns
    -------
    ndarray of float64, shape (3, 3)
        H with (x, y, 1) ~ H (u, v, 1).

    Notes
    -----
    Eight linear equations in eight unknowns (direct linear transformation; Hartley & Zisserman,
    Multiple View Geometry, 2nd ed., section 4.1, from memory).
    """
    rows, right = [], []
    for (u, v), (x, y) in zip(((0, 0), (1, 0), (1, 1), (0, 1)), corners):
        rows += [[u, v, 1, 0, 0, 0, -u * x, -v * x], [0, 0, 0, u, v, 1, -u * y, -v * y]]
        right += [x, y]
    return np.append(np.linalg.solve(np.array(rows, float), np.array(right, float)), 1.0).reshape(3, 3)


def places(grid: Grid, width: int, height: int) -> tuple[Place, ...]:
    """Where the stations are in a picture.

    Parameters
    ----------
    width, height : int
        Of the picture [px].
    """
    matrix = homography([(x * width, y * height) for x, y in grid.corners])
    spans, chords = _spacing(grid.span_pct), _spacing(grid.chord_pct)
    found = []
    for station in grid.stations():
        u, v = station.span_pct / 100, station.chord_pct / 100
        here = _mapped(matrix, u, v)
        aft = _mapped(matrix, u, v + 1e-4) - here
        along = np.linalg.norm(_mapped(matrix, u + spans / 2, v) - _mapped(matrix, u - spans / 2, v)) / 2
        across = np.linalg.norm(_mapped(matrix, u, v + chords / 2) - _mapped(matrix, u, v - chords / 2)) / 2
        aft = aft / np.linalg.norm(aft)
        found.append(
            Place(
                station=station,
                x=float(here[0]),
                y=float(here[1]),
                aft_x=float(aft[0]),
                aft_y=float(aft[1]),
                reach=float(min(along, across)),
            )
        )
    return tuple(found)


def nearest(found: Sequence[Place], x: float, y: float) -> str | None:
    """The station at a touched pixel, or None where none is within its reach.

    Parameters
    ----------
    x, y : float
        Pixel [px].
    """
    best = min(found, key=lambda p: (p.x - x) ** 2 + (p.y - y) ** 2, default=None)
    return best.station.id if best and np.hypot(best.x - x, best.y - y) <= best.reach else None


def next_state(state: TuftState | None) -> TuftState:
    """The state after this one as a station is tapped; the first after none or the last."""
    return STATES[(STATES.index(state) + 1) % len(STATES)] if state is not None else STATES[0]


def place_words(station: str) -> str:
    """A station's place in words: ``30 % span, 50 % chord``."""
    span, _, chord = station.partition("/")
    try:
        return f"{float(span):g} % span, {float(chord):g} % chord"
    except ValueError:
        return station


def grid_to_body(grid: Grid, who: str, carried_from: str = "") -> dict:
    """Body of a `TUFT_GRID` row; `carried_from` names the flight that it was placed on first."""
    body = {
        "camera": grid.camera,
        "corners": [list(corner) for corner in grid.corners],
        "span_pct": list(grid.span_pct),
        "chord_pct": list(grid.chord_pct),
        "who": who,
    }
    return body | {"carried_from": carried_from} if carried_from else body


def body_to_grid(body: dict) -> Grid:
    """A grid as journalled.

    Raises
    ------
    SyncError
        The body is not that of a grid.
    """
    try:
        return Grid(
            camera=str(body["camera"]),
            corners=tuple((float(x), float(y)) for x, y in body["corners"]),
            span_pct=tuple(float(v) for v in body["span_pct"]),
            chord_pct=tuple(float(v) for v in body["chord_pct"]),
        )
    except (KeyError, TypeError, ValueError) as err:
        raise SyncError(f"a tuft grid in the journal cannot be read ({err})") from err


def mark_to_body(mark: TuftMark) -> dict:
    """Body of a `TUFT` row."""
    body = {
        "camera": mark.camera,
        "frame_pts": mark.frame_pts,
        "station": mark.station,
        "state": str(mark.state),
        "ias_kt": None if mark.ias_kt is None else round(mark.ias_kt, 2),
        "who": mark.who,
        "proposed": mark.proposed,
    }
    return body if mark.confidence is None else body | {"confidence": round(mark.confidence, 3)}


def body_to_mark(body: dict, flight_ns: int) -> TuftMark:
    """A mark as journalled.

    Parameters
    ----------
    flight_ns : int
        The row's time [ns].

    Raises
    ------
    SyncError
        The body is not that of a mark.
    """
    try:
        return TuftMark(
            flight_ns=flight_ns,
            camera=str(body["camera"]),
            frame_pts=int(body["frame_pts"]),
            station=str(body["station"]),
            state=TuftState(str(body["state"]).replace("_", " ")),
            ias_kt=None if body.get("ias_kt") is None else float(body["ias_kt"]),
            who=str(body.get("who", "")),
            proposed=bool(body.get("proposed")),
            confidence=None if body.get("confidence") is None else float(body["confidence"]),
        )
    except (KeyError, TypeError, ValueError) as err:
        raise SyncError(f"a tuft mark in the journal cannot be read ({err})") from err


def standing(marks: Iterable[TuftMark]) -> tuple[TuftMark, ...]:
    """What holds: of each station on each frame the last decision, else the last proposal.

    Parameters
    ----------
    marks : iterable of TuftMark
        Of one flight, in the order of the journal.

    Returns
    -------
    tuple of TuftMark
        One a camera, frame and station, in order of their first mention.
    """
    held: dict[tuple[str, int, str], TuftMark] = {}
    for mark in marks:
        key = (mark.camera, mark.frame_pts, mark.station)
        if not mark.proposed or key not in held or held[key].proposed:
            held[key] = mark
    return tuple(held.values())


def first_separated(marks: Iterable[TuftMark], station: str) -> FirstSeparated:
    """The speed at which a station first separated, over all runs given.

    Returns
    -------
    FirstSeparated
        The highest speed with it gone, and the lowest one above at which it was not.
    """
    seen = [m for m in marks if m.station == station and m.ias_kt is not None and m.state is not TuftState.NOT_VISIBLE]
    gone = max((m for m in seen if m.state in GONE), key=lambda m: (m.ias_kt, not m.proposed), default=None)
    clear = [m.ias_kt for m in seen if m.state not in GONE and (gone is None or m.ias_kt > gone.ias_kt)]
    return FirstSeparated(
        station=station,
        ias_kt=gone and gone.ias_kt,
        clear_kt=min(clear, default=None),
        proposed=bool(gone and gone.proposed),
    )


def span_map(configuration: str, marks: Iterable[TuftMark], stations: Sequence[str] = ()) -> SpanMap:
    """States of one configuration by station and speed.

    Parameters
    ----------
    marks : iterable of TuftMark
        Standing ones of its runs at one point.
    stations : sequence of str, optional
        Rows; those that have marks, without it.

    Returns
    -------
    SpanMap
        Speeds rounded to 1 kt; of several states at one speed the most separated.
    """
    marks = [m for m in marks if m.ias_kt is not None]
    rows = tuple(stations) or tuple(sorted({m.station for m in marks}, key=station_order))
    speeds = tuple(sorted({float(round(m.ias_kt)) for m in marks}, reverse=True))
    worst: dict[tuple[str, float], TuftState] = {}
    for mark in marks:
        key = (mark.station, float(round(mark.ias_kt)))
        worst[key] = max(worst.get(key, mark.state), mark.state, key=_severity)
    return SpanMap(
        configuration=configuration,
        stations=rows,
        speeds_kt=speeds,
        states=tuple(tuple(worst.get((row, speed)) for speed in speeds) for row in rows),
        first=tuple(first_separated(marks, row) for row in rows),
    )


def difference_map(reference: SpanMap, changed: SpanMap) -> tuple[StationDifference, ...]:
    """First separation of two configurations compared, station by station.

    Returns
    -------
    tuple of StationDifference
        Stations of either, in order along the span; where one never separated, a bound in words.
    """
    before = {f.station: f for f in reference.first}
    after = {f.station: f for f in changed.first}
    names = sorted(set(before) | set(after), key=station_order)
    return tuple(
        _difference(name, before.get(name), after.get(name), reference.configuration, changed.configuration)
        for name in names
    )


def station_order(name: str) -> tuple:
    """Sorts station ids by span, then chord."""
    parts = name.split("/")
    try:
        return (0, *(float(part) for part in parts))
    except ValueError:
        return (1, name)


def _difference(name: str, a: FirstSeparated | None, b: FirstSeparated | None, was: str, now: str) -> StationDifference:
    proposed = any(f is not None and f.proposed for f in (a, b))
    if a and b and a.ias_kt is not None and b.ias_kt is not None:
        by = b.ias_kt - a.ias_kt
        words = (
            "at the same speed" if abs(by) < 0.5 else f"{abs(by):.0f} kt {'slower' if by < 0 else 'faster'} with {now}"
        )
        return StationDifference(station=name, difference_kt=by, words=f"separates {words}", proposed=proposed)
    said = []
    for configuration, first in ((was, a), (now, b)):
        if first is None or (first.ias_kt is None and first.clear_kt is None):
            said.append(f"{configuration}: not seen")
        elif first.ias_kt is None:
            said.append(f"{configuration}: not separated down to {first.clear_kt:.0f} kt")
        else:
            said.append(f"{configuration}: separated at {first.ias_kt:.0f} kt")
    return StationDifference(station=name, difference_kt=None, words="; ".join(said), proposed=proposed)


def _severity(state: TuftState) -> int:
    return -1 if state is TuftState.NOT_VISIBLE else STATES.index(state)


def _convex(corners: Sequence[Sequence[float]]) -> bool:
    points = np.array(corners, float)
    sides = np.roll(points, -1, axis=0) - points
    onward = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * onward[:, 1] - sides[:, 1] * onward[:, 0]
    return bool(np.all(turns > 1e-9) or np.all(turns < -1e-9))


def _spacing(percent: Sequence[float]) -> float:
    """Least distance of neighbours, as a share; a lone row has a third of the wing to itself."""
    return min((b - a for a, b in itertools.pairwise(percent)), default=33.0) / 100


def _mapped(matrix: np.ndarray, u: float, v: float) -> np.ndarray:
    x, y, w = matrix @ (u, v, 1.0)
    return np.array([x / w, y / w])
