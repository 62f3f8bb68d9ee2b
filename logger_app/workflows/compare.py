"""Two to four runs side by side: their pictures, tuft rows and stills. What the compare screen works with.

Main names: `WingComparison`, `proposed_marks`, `grey_for_assist`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from logger_app.domain.moments import ias_at, spoken_speed
from logger_app.domain.station_ratios import Ghost, ratio_marks
from logger_app.domain.tuft_grid import Grid, body_to_grid, grid_to_body, mark_to_body
from logger_app.domain.tufts import RunMarks, TuftMark, TuftState
from logger_app.errors import LoggerError, SyncError
from logger_app.io.stills import STILLS_DIR, save_picture
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.calls import CallKind
from logger_app.records.compare import Shown, SideFacts
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.plan import Campaign
from logger_app.records.runs import FlightData, Run
from logger_app.records.stills import SavedPicture, SavedShot
from logger_app.sync.cameras_io import Camera, FlightCameras
from logger_app.sync.sheet_io import CAUTION, Side, font, saved_side
from logger_app.sync.tuft_assist import MIN_FRAMES, WINDOW_S, Answer, propose
from logger_app.sync.video_io import Stopped, make_proxy, proxy_path
from logger_app.sync.wing_match import grown, match, moved_corners
from logger_app.units import from_kt
from logger_app.workflows import campaign as flow
from logger_app.workflows.cameras import open_cameras
from logger_app.workflows.history import Drawing, wing_of_configuration
from logger_app.workflows.tufts import flight_marks, marks_of_run, marks_of_runs

__all__ = ["Stopped", "WingComparison", "grey_for_assist", "proposed_marks"]

LETTERS_SAY = "A attached, U unsteady, S separated, R reversed, - not visible, ? only proposed."
STILL_WIDTH = 760  # of each picture [px]
# The assist needs no more detail, and 1080p would take seconds [px].
ASSIST_WIDTH = 960
# Into a frame by this much, so that its own stamp is not missed by rounding [s].
INSIDE_S = 1e-4
# Moves of the camera, as shares of the picture's width: below the first none, up to the second followed, beyond asked about.
NO_MOVE, SMALL_MOVE = 0.002, 0.02
# Marks of the wing are looked for in the grid's quadrilateral, so much larger.
REGION = 1.15


class Runs(Protocol):
    """Where other runs of the sides come from; the count of a side's runs, and which one it is."""

    def turn(self, sides: Sequence[Side], by: int, which: int | None) -> tuple[Sequence[Side], Sequence[FlightData]]:
        """The sides with other runs, and the flights with the calls of those runs."""
        ...

    def position(self, side: Side) -> tuple[int, int]:
        """Which of how many runs a side shows."""
        ...

    @property
    def stall_ias_kt(self) -> Mapping[tuple[str, str], float | None]:
        """Of every run at the point, by flight and run [kt]."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A grid on a frame after the camera moved; None where the wing's marks were not found again. See `Followed` in the screen."""

    grid: Grid | None
    words: str = ""
    large: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What the assist answered about one frame of a side; or `why` it was not asked."""

    shown: Shown
    answer: Answer | None = None
    why: str = ""


class WingComparison:
    """Pictures of the sides' cameras, and the one place that writes what was seen.

    Decoders are not for two threads at once: every use of the cameras' holds `lock`, of the small copies' `quick_lock`.
    """

    def __init__(
        self,
        campaign_dir: Path,
        campaign: Campaign,
        flights: Sequence[FlightData],
        point: str,
        sides: Sequence[Side],
        who: str,
        why: str = "",
        runs: Runs | None = None,
    ):
        self.campaign_dir, self.campaign, self.point, self.who, self.why = Path(campaign_dir), campaign, point, who, why
        self.unit, self.runs = campaign.indicator.unit, runs
        self.lock, self.quick_lock = threading.RLock(), threading.RLock()
        self._quick: list[FlightCameras | None] = []
        self._references: dict[tuple, np.ndarray | None] = {}
        self._marked: tuple[RunMarks, ...] | None = None
        self._take(sides, flights)

    def _take(self, sides: Sequence[Side], flights: Sequence[FlightData]) -> None:
        self.flights, self.sides, self._marked = tuple(flights), tuple(sides), None
        self.facts = tuple(
            _facts(side, self._run(side), self.unit, self.runs.position(side) if self.runs else (1, 1))
            for side in sides
        )
        with self.quick_lock:
            self.close()
            self._open_quick()

    def turn(self, by: int, which: int | None = None) -> bool:
        """Go to other runs, of one side or of all; False where there are none."""
        if self.runs is None:
            return False
        with self.lock:
            sides, flights = self.runs.turn(self.sides, by, which)
            changed = [s.result.run for s in sides] != [s.result.run for s in self.sides]
            self._take(sides, flights)
        return changed

    def close(self) -> None:
        """Close the quick copies; the sides' cameras are their giver's."""
        with self.quick_lock:
            for cameras in self._quick:
                if cameras is not None:
                    cameras.close()
            self._quick = [None] * len(self.sides)

    def make_quick(self, progress: Callable[[float], None]) -> int:
        """Make the small copies for scrubbing that are not there yet; takes minutes, and no lock.

        Parameters
        ----------
        progress : callable
            Called with the share done, 0 to 1; what it raises stops the work and leaves nothing half-made.

        Raises
        ------
        SyncError, OSError
            A camera file cannot be decoded, or a copy not written.
        """
        count = make_small_copies(self.campaign_dir, self.sides, progress)
        with self.quick_lock:
            self.close()
            self._open_quick()
        return count

    def quick(self, side: int, flight_s: float | None) -> np.ndarray | None:
        """The small picture at a flight time, for while the slider moves; None where there is no quick copy."""
        with self.quick_lock:
            cameras = self._quick[side]
            if flight_s is None or cameras is None:
                return None
            try:
                return cameras.frame_at(flight_s, self.sides[side].camera)[0].rgb
            except SyncError:
                return None

    def _open_quick(self) -> None:
        made: list[FlightCameras | None] = []
        for side in self.sides:
            small = [replace(camera, path=_proxy(self.campaign_dir, side, camera)) for camera in side.cameras.cameras]
            made.append(FlightCameras(small) if small and all(camera.path.exists() for camera in small) else None)
        self._quick = made

    def grids(self) -> dict[tuple[int, str], Grid]:
        """Grids as placed, by side and camera; the last one of a camera holds."""
        found: dict[tuple[int, str], Grid] = {}
        for k, side in enumerate(self.sides):
            found |= {(k, name): grid for name, grid in self._grids_of(side.result.flight).items()}
        return found

    def carried(self) -> dict[tuple[int, str], tuple[Grid, str]]:
        """Grids of other flights' cameras of the same name, with the flight, where this one has none placed yet.

        The nearest flight before counts first, then the nearest after.
        """
        placed = self.grids()
        found: dict[tuple[int, str], tuple[Grid, str]] = {}
        order = [data.info.id for data in self.flights]
        for k, side in enumerate(self.sides):
            here = order.index(side.result.flight) if side.result.flight in order else len(order)
            others = [*reversed(order[:here]), *order[here + 1 :]]
            for name in side.cameras.names():
                for flight in others if (k, name) not in placed else ():
                    if (grid := self._grids_of(flight).get(name)) is not None:
                        found[(k, name)] = (grid, flight)
                        break
        return found

    def other_marks(self) -> tuple[RunMarks, ...]:
        """Marks of all other runs at this point, of the configurations on show."""
        names = {side.configuration for side in self.sides}
        shown = {(side.result.flight, side.result.run) for side in self.sides}
        return tuple(
            one for one in self._every_mark() if one.configuration in names and (one.flight, one.run) not in shown
        )

    def ghosts(self) -> tuple[Ghost | None, ...]:
        """Of each side what was seen on the configuration that its own was made from, at this point."""
        configs = [self.campaign.configuration(side.configuration) for side in self.sides]
        parents = [config.parent if config else None for config in configs]
        return tuple(self._ghost(parent) if parent else None for parent in parents)

    def alike(self) -> tuple[Ghost | None, ...]:
        """Of each side what was seen in the other runs of its configuration at this point."""
        return tuple(self._ghost(side.configuration, (side.result.flight, side.result.run)) for side in self.sides)

    def _ghost(self, configuration: str, without: tuple[str, str] = ("", "")) -> Ghost | None:
        every = [one for one in self._every_mark() if one.configuration == configuration]
        marked = [one for one in every if (one.flight, one.run) != without]
        marks = ratio_marks(marked, self.runs.stall_ias_kt) if self.runs else ()
        return Ghost(configuration=configuration, marks=marks) if marks else None

    def _every_mark(self) -> tuple[RunMarks, ...]:
        """Of all runs at this point, read again once something was written."""
        if self._marked is None:
            self._marked = marks_of_runs(self.campaign_dir, self.flights, self.point)
        return self._marked

    def fitted(self) -> tuple[Drawing, ...]:
        """The wing of each configuration on show with what is fitted."""
        names = dict.fromkeys(side.configuration for side in self.sides)
        return tuple(wing_of_configuration(self.campaign, name) for name in names)

    def marks(self) -> tuple[tuple[TuftMark, ...], ...]:
        """Marks of each side's run, in the order of the journal."""
        return tuple(self._marks_of(side) for side in self.sides)

    def frame(
        self, side: int, flight_s: float | None, why: str = "", stop: Callable[[], bool] | None = None
    ) -> tuple[np.ndarray | None, Shown]:
        """The picture of a side at a flight time, RGB of uint8, and what it is; or why there is none. `stop`: see `VideoFrames`."""
        if flight_s is None:
            return None, Shown(why=why)
        one = self.sides[side]
        with self.lock:
            try:
                frame, camera = one.cameras.frame_at(flight_s, one.camera, stop)
                at_s = camera.clock_map.to_flight_s(max(frame.video_s, camera.clock_map.valid_from_s))
            except (SyncError, ValueError) as err:
                return None, Shown(why=str(err))
        height, width = frame.rgb.shape[:2]
        shown = Shown(
            camera=camera.name,
            pts=frame.pts,
            flight_s=at_s,
            aspect=width / height,
            wing=self.wings(one).get(camera.name, ""),
        )
        return frame.rgb, shown

    def wings(self, side: Side) -> dict[str, str]:
        """Which wing each camera of a side's flight shows, where somebody said."""
        return {camera.name: camera.file.wing for camera in side.cameras.cameras if camera.file.wing}

    def step(self, side: int, flight_s: float, by: int) -> float:
        """The flight time so many frames on or back from the frame on show at a time.

        Raises
        ------
        SyncError
            No camera was running then, or there is no frame more.
        """
        one = self.sides[side]
        with self.lock:
            before, camera = one.cameras.frame_at(flight_s, one.camera)
            frame = one.cameras.video(camera).step(by)
            if frame.pts == before.pts:
                raise SyncError(f"{camera.path.name}: there is no frame {'after' if by > 0 else 'before'} this one")
            try:
                return camera.clock_map.to_flight_s(frame.video_s + INSIDE_S)
            except ValueError as err:
                raise SyncError(str(err)) from err

    def place_grid(self, side: int, grid: Grid, carried_from: str = "") -> None:
        """Write a grid to the flight's journal; `carried_from` names the flight whose grid was checked and kept."""
        self._append(side, RowKind.TUFT_GRID, "grid", [(0, grid_to_body(grid, self.who, carried_from))])

    def remove_grid(self, side: int, camera: str) -> None:
        """Take back the grid of a camera."""
        self._append(side, RowKind.TUFT_GRID, "grid", [(0, {"camera": camera, "who": self.who, "withdrawn": True})])

    def set_wing(self, side: int, camera: str, wing: str) -> None:
        """Write which wing a camera shows, for all its files."""
        rows = self._rows(self.sides[side].result.flight, RowKind.MEDIA)
        bodies = {str(row.body.get("file", "")): row.body for row in rows}
        mine = [body for file, body in bodies.items() if (body.get("camera") or Path(file).stem) == camera]
        self._append(side, RowKind.MEDIA, "media", [(0, body | {"wing": wing}) for body in mine])
        with self.lock:
            for one in self.sides:
                if one.result.flight == self.sides[side].result.flight:
                    one.cameras.rename_wing(camera, wing)

    def write(self, side: int, marks: Sequence[TuftMark]) -> None:
        """Write marks to the flight's journal, one row each, in one transaction."""
        self._append(side, RowKind.TUFT, "tuft", [(mark.flight_ns, mark_to_body(mark)) for mark in marks])

    def follow(self, side: int, shown: Shown, grid: Grid, placed_on: str = "") -> Moved:
        """A grid on the frame on show, after the camera moved against the wing.

        Parameters
        ----------
        placed_on : str, optional
            The flight whose frame the grid was placed on, where it is another.
        """
        if grid.flight_s is None:
            return Moved(grid=grid)
        one = self.sides[side]
        before = self._reference(side, grid, placed_on)
        if before is None:
            return Moved(
                grid=grid, words="The frame that the stations were placed on cannot be shown any more; check them."
            )
        with self.lock:
            try:
                frame, _ = one.cameras.frame_at(shown.flight_s + INSIDE_S, one.camera)
            except SyncError as err:
                return Moved(grid=grid, words=str(err))
        now = grey_for_assist(frame.rgb)
        if now.shape != before.shape:
            return Moved(
                grid=grid,
                words="This picture differs in size from the one the stations were placed on; check them.",
                large=True,
            )
        return followed_grid(before, now, grid)

    def _reference(self, side: int, grid: Grid, placed_on: str) -> np.ndarray | None:
        flight = placed_on or self.sides[side].result.flight
        key = (flight, grid.camera, grid.flight_s)
        if key not in self._references:
            self._references[key] = None
            with suppress(LoggerError), self.lock:
                if placed_on:
                    with open_cameras(self.campaign_dir, flight, self._dir(flight)) as cameras:
                        frame, _ = cameras.frame_at((grid.flight_s or 0.0) + INSIDE_S, grid.camera)
                else:
                    frame, _ = self.sides[side].cameras.frame_at((grid.flight_s or 0.0) + INSIDE_S, grid.camera)
                self._references[key] = grey_for_assist(frame.rgb)
        return self._references[key]

    def look(self, side: int, flight_s: float, grid: Grid) -> Looked:
        """The assist's opinion of a side's frame at a flight time, from the half second before it; the grid is followed first."""
        rgb, shown = self.frame(side, flight_s + INSIDE_S)
        if rgb is None:
            return Looked(shown=shown, why=shown.why)
        if shown.camera != grid.camera:
            return Looked(shown=shown, why=f"no stations are placed on camera {shown.camera}")
        moved = self.follow(side, shown, grid)
        if moved.large:
            return Looked(shown=shown, why=moved.words)
        one = self.sides[side]
        with self.lock:
            frame, camera = one.cameras.frame_at(shown.flight_s + INSIDE_S, one.camera)
            video = one.cameras.video(camera)
            end_s, frames, pts = frame.video_s, [], -1
            at = video.frame_at(max(video.first_s, end_s - WINDOW_S))
            while at.video_s <= end_s + 1e-9 and at.pts != pts:
                frames.append(grey_for_assist(at.rgb))
                pts = at.pts
                at = video.step(1)
        if len(frames) < MIN_FRAMES:
            why = f"{camera.path.name}: got {len(frames)} frames in the last {WINDOW_S:g} s; the assist needs at least {MIN_FRAMES}"
            return Looked(shown=shown, why=why)
        return Looked(shown=shown, answer=propose(np.stack(frames), moved.grid or grid))

    def save(self, shown: Sequence[tuple[float | None, str]], words: str, stations: Sequence[Sequence] = ()) -> Path:
        """The pictures as shown, side by side, with their speeds and tuft states.

        Parameters
        ----------
        shown : sequence of (float or None, str)
            Flight time of each side, or why there is none [s].

        Returns
        -------
        Path
            A new PNG under the campaign's results.
        """
        pictures, captions, saved = [], [], []
        for k, (flight_s, why) in enumerate(shown):
            seen = tuple(s for s in stations[k] if s.state is not None) if k < len(stations) else ()
            rgb, frame = self.frame(k, flight_s, why)
            pictures.append(rgb if rgb is None else with_stations(rgb, seen))
            side = self.sides[k]
            ias_kt = None if flight_s is None else ias_at(side.result, flight_s + side.lag_s)
            at = "" if flight_s is None else _to_stall(flight_s - side.event_s)
            speed = spoken_speed(ias_kt, self.unit)
            description = frame.why if rgb is None else f"{speed} indicated, {at}, flight time {flight_s:.2f} s"
            captions.append((f"{side.name}: {side.result.flight}, run {side.result.run_number}", description))
            shot = SavedShot(
                at=at,
                flight_s=None if rgb is None else flight_s,
                ias_kt=ias_kt,
                camera=frame.camera,
                why=frame.why,
                stations=tuple((s.id, str(s.state), s.proposed) for s in seen) if rgb is not None else (),
            )
            saved.append(saved_side(side, [shot]))
        folder = self.campaign_dir / STILLS_DIR
        stem = f"{self.point}_{'_'.join(side.configuration for side in self.sides)}"
        number = 1 + max(
            (
                int(p.stem.rpartition("_")[2])
                for p in folder.glob(f"{stem}_*.png")
                if p.stem.rpartition("_")[2].isdigit()
            ),
            default=0,
        )
        about = SavedPicture(
            kind="still",
            point=self.point,
            words=words,
            sides=tuple(saved),
            why=self.why,
            who=self.who,
            made_utc=utc_now(),
        )
        picture = _still(
            f"{self.point}: {words}", pictures, captions, any(shot.stations for side in saved for shot in side.shots)
        )
        return save_picture(folder / f"{stem}_{number:03d}.png", picture, about)

    def _dir(self, flight: str) -> Path:
        found = next((data.folder for data in self.flights if data.info.id == flight), None)
        return found or self.campaign_dir / flow.FLIGHTS_DIR / flight

    def _rows(self, flight: str, *kinds: RowKind) -> list[JournalRow]:
        with Journal.open(self._dir(flight), read_only=True) as journal:
            return list(journal.rows(*kinds))

    def _grids_of(self, flight: str) -> dict[str, Grid]:
        """By camera; the last one holds."""
        found: dict[str, Grid] = {}
        for row in self._rows(flight, RowKind.TUFT_GRID):
            if row.body.get("withdrawn"):
                found.pop(str(row.body.get("camera")), None)
            else:
                grid = body_to_grid(row.body)
                found[grid.camera] = grid
        return found

    def _run(self, side: Side) -> Run | None:
        runs = (run for data in self.flights if data.info.id == side.result.flight for run in data.runs.runs)
        return next((run for run in runs if run.id == side.result.run), None)

    def _marks_of(self, side: Side) -> tuple[TuftMark, ...]:
        run = self._run(side)
        if run is None:
            return ()
        marks = flight_marks(self._rows(side.result.flight, RowKind.TUFT, RowKind.MEDIA))
        every = next(data.runs.runs for data in self.flights if data.info.id == side.result.flight)
        return marks_of_run(marks, run, every)

    def _append(self, side: int, kind: RowKind, prefix: str, bodies: Sequence[tuple[int, dict]]) -> None:
        utc, self._marked = utc_now(), None
        with Journal.open(self._dir(self.sides[side].result.flight)) as journal:
            journal.append(
                JournalRow(id=journal.new_id(prefix), flight_ns=at, utc=utc, kind=kind, body=body)
                for at, body in bodies
            )


def followed_grid(before: np.ndarray, now: np.ndarray, grid: Grid) -> Moved:
    """A grid taken along from the grey picture that it was placed on to another of the same camera."""
    height, width = before.shape
    region = grown([(x * width, y * height) for x, y in grid.corners], REGION)
    found = match(before, now, region)
    if found.matrix is None:
        words = "The marks of the wing were not found again in this picture: whether the camera moved is not known; check the stations."
        return Moved(grid=None, words=words)
    corners, far_px = moved_corners(found.matrix, grid.corners, width, height)
    if far_px < NO_MOVE * width:
        return Moved(grid=grid)
    try:
        moved = replace(grid, corners=corners)
    except SyncError:
        return Moved(
            grid=None,
            words="The camera has moved so far that the stations cannot be followed; place them again.",
            large=True,
        )
    share = 100 * far_px / width
    if far_px <= SMALL_MOVE * width:
        return Moved(grid=moved, words=f"The camera moved by {share:.1f} % of the picture; the stations follow.")
    return Moved(
        grid=moved,
        words=f"The camera moved by {share:.0f} % of the picture: check where the stations are now.",
        large=True,
    )


def make_small_copies(campaign_dir: Path, sides: Sequence[Side], progress: Callable[[float], None]) -> int:
    """Make the small copies of the sides' camera files that are not there yet; how many."""
    files = {_proxy(campaign_dir, side, camera): camera.path for side in sides for camera in side.cameras.cameras}
    missing = [(proxy, path) for proxy, path in files.items() if not proxy.exists()]
    for k, (proxy, path) in enumerate(missing):

        def share_done(share: float, done: int = k) -> None:
            progress((done + share) / len(missing))

        make_proxy(path, proxy, share_done)
    return len(missing)


def _proxy(campaign_dir: Path, side: Side, camera: Camera) -> Path:
    return proxy_path(campaign_dir, side.result.flight, camera.path)


def proposed_marks(looked: Looked, facts: SideFacts) -> tuple[TuftMark, ...]:
    """Proposals as rows: named by the assist, decided by nobody. Where it declined there is none."""
    shown = looked.shown
    return tuple(
        TuftMark(
            flight_ns=round(shown.flight_s * 1e9),
            camera=shown.camera,
            frame_pts=shown.pts,
            station=p.station,
            state=p.state,
            ias_kt=ias_at(facts.result, shown.flight_s + facts.lag_s),
            ias_u_kt=facts.result.vs_ias_u_kt or 0.0,
            to_stall_s=shown.flight_s - facts.event_s,
            who="assist",
            proposed=True,
            confidence=p.confidence,
            run=facts.result.run,
            wing=shown.wing,
        )
        for p in (looked.answer.proposals if looked.answer else ())
        if p.state is not None
    )


def _facts(side: Side, run: Run | None, unit: str, run_of: tuple[int, int]) -> SideFacts:
    calls = []
    for call in run.calls if run else ():
        if call.counts and call.kind is CallKind.AIRSPEED and call.ias_kt is not None:
            calls.append((call.flight_s - side.lag_s, f"{from_kt(call.ias_kt, unit):.0f}", False))
        elif call.counts and call.kind is CallKind.EVENT:
            calls.append((call.flight_s - side.lag_s, call.name.replace("_", " "), True))
    return SideFacts(
        configuration=side.configuration,
        name=side.name,
        flight=side.result.flight,
        run_number=side.result.run_number,
        result=side.result,
        event_s=side.event_s,
        lag_s=side.lag_s,
        calls=tuple(calls),
        view=side.view,
        run_of=run_of,
        why="" if side.cameras.cameras else "No camera of this flight is on its clock; link one with `kneecall sync`.",
    )


def _to_stall(seconds: float) -> str:
    return "at the stall" if abs(seconds) < 0.005 else f"{abs(seconds):.2f} s {'before' if seconds < 0 else 'after'} it"


def _still(title: str, pictures: Sequence[np.ndarray | None], captions: Sequence[tuple[str, str]], lettered: bool):
    """Pictures side by side, two a row, each with its two lines; what the letters of stations mean, where there are any."""
    from PIL import Image, ImageDraw

    height = max((round(p.shape[0] * STILL_WIDTH / p.shape[1]) for p in pictures if p is not None), default=360)
    lines = (len(pictures) + 1) // 2
    sheet = Image.new("RGB", (2 * STILL_WIDTH + 36, 50 + lines * (height + 60) + 30), (250, 249, 245))
    draw = ImageDraw.Draw(sheet)
    draw.text((12, 10), title, (24, 28, 32), font(24))
    for k, (picture, (name, description)) in enumerate(zip(pictures, captions)):
        left, top = 12 + (k % 2) * (STILL_WIDTH + 12), 50 + (k // 2) * (height + 60)
        draw.text((left, top), name, (24, 28, 32), font(17))
        draw.text((left, top + height + 30), description, (96, 100, 104), font(15))
        if picture is None:
            draw.rectangle((left, top + 26, left + STILL_WIDTH, top + 26 + height), (222, 220, 214))
            continue
        scale = min(STILL_WIDTH / picture.shape[1], height / picture.shape[0])
        small = Image.fromarray(picture).resize(
            (round(picture.shape[1] * scale), round(picture.shape[0] * scale)), Image.Resampling.LANCZOS
        )
        sheet.paste(small, (left + (STILL_WIDTH - small.width) // 2, top + 26))
    draw.text((12, sheet.height - 24), f"{LETTERS_SAY} {CAUTION}" if lettered else CAUTION, (96, 100, 104), font(13))
    return sheet


def grey_for_assist(rgb: np.ndarray) -> np.ndarray:
    """A picture as the assist and the match see it: grey, not wider than they need."""
    from PIL import Image

    picture = Image.fromarray(rgb).convert("L")
    if picture.width > ASSIST_WIDTH:
        picture = picture.resize(
            (ASSIST_WIDTH, round(picture.height * ASSIST_WIDTH / picture.width)), Image.Resampling.BOX
        )
    return np.asarray(picture, np.float32)


def with_stations(rgb: np.ndarray, stations: Sequence) -> np.ndarray:
    """Letters at the stations that have a state; a proposal is a dark disc with a question mark.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
        The picture; a copy is drawn on.
    stations : sequence
        Each with `x` and `y` as shares of the picture, `state` and `proposed`.
    """
    from PIL import Image, ImageDraw

    picture = Image.fromarray(rgb.copy())
    draw, size = ImageDraw.Draw(picture), max(6, rgb.shape[1] // 75)
    for station in stations:
        x, y = station.x * rgb.shape[1], station.y * rgb.shape[0]
        letter = "-" if station.state is TuftState.NOT_VISIBLE else str(station.state)[0].upper()
        ink, paper = ((255, 255, 255), (40, 40, 40)) if station.proposed else ((0, 0, 0), (255, 255, 255))
        draw.ellipse((x - size, y - size, x + size, y + size), fill=paper, outline=ink, width=max(1, size // 6))
        draw.text(
            (x, y),
            letter + ("?" if station.proposed else ""),
            ink,
            font(size * (1.2 if station.proposed else 1.5)),
            anchor="mm",
        )
    return np.asarray(picture)
