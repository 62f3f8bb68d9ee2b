"""Tuft stations laid over the picture, and grids and marks as the journal has them. Pure.

A grid is placed once a camera: its four corners on the wing, root leading edge first. What marks say is in
`domain.tufts`; judging pictures is in `tuft_assist`.

Main names: `Grid`, `places`, `nearest`, `mirrored_order`, `grid_to_body`, `mark_to_body` and their readers.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.domain.tufts import STATES, TuftMark, TuftState
from logger_app.domain.wing_plane import homography, mapped
from logger_app.errors import SyncError

MAX_STATIONS = 400


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
    where rows of tufts were stuck, measured on the wing. `flight_s` is when the frame was that it was
    placed on: the camera may have moved since.
    """

    camera: str
    corners: tuple[tuple[float, float], ...]
    span_pct: tuple[float, ...] = (10.0, 30.0, 50.0, 70.0, 90.0)
    chord_pct: tuple[float, ...] = (20.0, 50.0, 80.0)
    flight_s: float | None = None

    def __post_init__(self) -> None:
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
        here = mapped(matrix, np.array((u, v)))
        aft = mapped(matrix, np.array((u, v + 1e-4))) - here
        along = (
            np.linalg.norm(mapped(matrix, np.array((u + spans / 2, v))) - mapped(matrix, np.array((u - spans / 2, v))))
            / 2
        )
        across = (
            np.linalg.norm(
                mapped(matrix, np.array((u, v + chords / 2))) - mapped(matrix, np.array((u, v - chords / 2)))
            )
            / 2
        )
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


def mirrored_order(grid: Grid, wing: str) -> bool:
    """Whether the corners go round the wrong way for a wing's upper side: leading and trailing edge, or root and tip, are swapped.

    Parameters
    ----------
    wing : str
        ``left`` or ``right``; anything else is never wrong.
    """
    points = np.array(grid.corners)
    onward = np.roll(points, -1, axis=0)
    clockwise = float(np.sum(points[:, 0] * onward[:, 1] - points[:, 1] * onward[:, 0])) > 0  # y is down
    return wing == ("left" if clockwise else "right")


def next_state(state: TuftState | None) -> TuftState:
    """The state after this one as a station is tapped; the first after none or the last."""
    return STATES[(STATES.index(state) + 1) % len(STATES)] if state is not None else STATES[0]


def grid_to_body(grid: Grid, who: str, carried_from: str = "") -> dict:
    """Body of a `TUFT_GRID` row; `carried_from` names the flight that it was placed on first."""
    body: dict[str, object] = {
        "camera": grid.camera,
        "corners": [list(corner) for corner in grid.corners],
        "span_pct": list(grid.span_pct),
        "chord_pct": list(grid.chord_pct),
        "who": who,
    }
    if grid.flight_s is not None:
        body["flight_s"] = round(grid.flight_s, 4)
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
            flight_s=None if body.get("flight_s") is None else float(body["flight_s"]),
        )
    except (KeyError, TypeError, ValueError) as err:
        raise SyncError(f"a tuft grid in the journal cannot be read ({err})") from err


def mark_to_body(mark: TuftMark) -> dict:
    """Body of a `TUFT` row."""
    body: dict[str, object] = {
        "camera": mark.camera,
        "frame_pts": mark.frame_pts,
        "station": mark.station,
        "state": str(mark.state),
        "ias_kt": None if mark.ias_kt is None else round(mark.ias_kt, 2),
        "who": mark.who,
        "proposed": mark.proposed,
        "run": mark.run,
        "wing": mark.wing,
    }
    if mark.confidence is not None:
        body["confidence"] = round(mark.confidence, 3)
    if mark.ias_kt is not None and mark.ias_u_kt:
        body["ias_u_kt"] = round(mark.ias_u_kt, 2)
    if mark.to_stall_s is not None:
        body["to_stall_s"] = round(mark.to_stall_s, 3)
    return body | {name: True for name in ("settles", "withdrawn") if getattr(mark, name)}


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
            ias_u_kt=float(body.get("ias_u_kt") or 0.0),
            to_stall_s=None if body.get("to_stall_s") is None else float(body["to_stall_s"]),
            run=str(body.get("run") or ""),
            wing=str(body.get("wing") or ""),
            settles=bool(body.get("settles")),
            withdrawn=bool(body.get("withdrawn")),
        )
    except (KeyError, TypeError, ValueError) as err:
        raise SyncError(f"a tuft mark in the journal cannot be read ({err})") from err


def _convex(corners: Sequence[Sequence[float]]) -> bool:
    points = np.array(corners, float)
    sides = np.roll(points, -1, axis=0) - points
    onward = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * onward[:, 1] - sides[:, 1] * onward[:, 0]
    return bool(np.all(turns > 1e-9) or np.all(turns < -1e-9))


def _spacing(percent: Sequence[float]) -> float:
    """Least distance of neighbours, as a share; a lone row has a third of the wing to itself."""
    return min((b - a for a, b in itertools.pairwise(percent)), default=33.0) / 100
