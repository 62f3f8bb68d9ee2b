"""The report of a campaign: journals read once, reduced, and written with sound, pictures, tufts and subtitles.

Also the clip of one run. For the verbs `report` and `demo`; main names: `write_report`, `make_clip`.
"""

from __future__ import annotations

import platform
import tomllib
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from logger_app import __version__
from logger_app.domain.cameras import CameraFile
from logger_app.domain.moments import USUAL, moments
from logger_app.domain.station_ratios import station_ratios
from logger_app.domain.tufts import RunMarks, TuftMark, differences, in_force, pairs, wing_maps
from logger_app.domain.wing_words import MapCell, difference_cell, difference_words, first_words, map_cell
from logger_app.errors import LogError, ReportError
from logger_app.io.files import read_bytes
from logger_app.io.photos import PHOTOS_DIR, read_photos
from logger_app.io.sound import encode_opus
from logger_app.io.stills import STILLS_DIR, read_pictures
from logger_app.logstore.audio_io import read_samples
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import JournalRow
from logger_app.records.runs import FlightData, Run
from logger_app.report.clip_io import write_clip
from logger_app.report.extras import Conditions, Extras, Photo, SavedStill, WingCell, WingMap
from logger_app.report.frames_io import FrameFinder
from logger_app.report.page import line_of_design
from logger_app.report.report_io import PAGE, ReportWriter
from logger_app.report.subtitles import file_name
from logger_app.report.view import Page, PageBuilder, RunView
from logger_app.sync.video_io import proxy_path
from logger_app.units import RATE_HZ
from logger_app.workflows import campaign as flow
from logger_app.workflows.cameras import camera_path, cameras_in
from logger_app.workflows.conditions import conditions_of
from logger_app.workflows.line_sheet import line_pictures
from logger_app.workflows.tufts import flight_marks, marks_of_flight, wings_of_one_sided

# Of pictures saved from comparing: two sides at 700 px keep their captions legible.
STILL_WIDTH_PX, STILL_QUALITY = 1500, 78
MAX_NAMED = 40  # runs in a message


class Bar(Protocol):
    """A progress bar: `to` takes the share done, 0 to 1."""

    def to(self, fraction: float, /) -> None: ...


class _NoBar:
    def to(self, fraction: float, /) -> None:
        pass


Stage = Callable[[str], AbstractContextManager[Bar]]
"""Opens a progress bar with a label."""


def silent(label: str) -> AbstractContextManager[Bar]:
    """No progress shown."""
    return nullcontext(_NoBar())


def write_report(campaign_dir: Path, out: Path, **options) -> Path:
    """Write the report of a campaign with everything that its folder has; its page. `options` as for `add_report`."""
    add_report(campaign_dir, out, **options)
    return out / PAGE


def add_report(
    campaign_dir: Path,
    out: Path,
    *,
    asked: Sequence[str] = (),
    pdf: bool = False,
    png: bool = False,
    at: str = USUAL,
    every_picture: bool = False,
    sound: bool = True,
    as_of_data: bool = False,
    stage: Stage = silent,
    warn: Callable[[str], None] = lambda message: None,
) -> Page:
    """Write the report into a folder; what its page shows.

    Flights are read, reduced and written one after another; see `ReportWriter`.

    Parameters
    ----------
    asked : sequence of str
        Runs that the page must show in detail.
    png : bool
        Every figure as a picture at twice the page's size, beside its SVG file.
    at : str
        Columns of the contact sheets, as `domain.moments` reads them.
    every_picture : bool
        A picture for every call, however large the camera files are.
    sound : bool
        Two seconds of cockpit sound for each call.
    as_of_data : bool
        Dated by the newest entry in the journals instead of now: the same data give the same bytes.
    warn : callable
        Called with a sentence for each picture or sound that could not be used.

    Raises
    ------
    LoggerError
        The campaign or a journal cannot be read, or the report not written.
    """
    reader = flow.FlightByFlight(campaign_dir)
    columns = moments(at, reader.campaign.indicator.unit)
    gathered = Gathered(reader.campaign_dir)
    gathered.conditions = {flight.id: air for flight in reader.campaign.flights if (air := conditions_of(flight))}
    with ReportWriter(out, reader.campaign, gathered.weight_unit) as report:
        with stage("Flights") as bar:
            for k, (data, runs) in enumerate(reader, 1):
                report.add(data, runs, gathered.add(data, reader.rows))
                bar.to(k / len(reader))
        extras = replace(gathered.extras(reader.campaign.indicator.unit, warn), columns=columns)
        pictured = [(side.flight, side.run) for still in extras.stills for side in still.about.sides]
        page = report.builder.finish(reader.reduction(), reader.again, asked, pictured)
        stalls = {(view.flight, view.run.id): view.result.vs_ias_kt for view in page.runs if view.result}
        page.stations = station_ratios(gathered.marked, stalls)
        page.paired = wings_of_one_sided(page.reduction.one_sided, gathered.marked)
        frame_of = frame_finder(reader.campaign_dir, extras.cameras, reader.folder_of)
        if line_of_design(page):
            with stage("Wings of the line"):
                extras = replace(extras, line=line_pictures(reader, page.reduction, extras.cameras))
        few = frame_of is not None and frame_of.costly and not every_picture
        with stage("Sound and pictures") as bar:
            report.finish(
                page,
                SoundFinder(reader, page.shown, warn) if sound else None,
                frame_of,
                pdf=pdf,
                png=png,
                extras=replace(extras, few_pictures=few),
                made_utc=gathered.newest_utc if as_of_data else None,
                progress=bar.to,
            )
    return page


class Gathered:
    """Cameras and tufts out of the journals, a flight at a time; then the campaign's file, saved pictures, versions."""

    def __init__(self, campaign_dir: Path):
        self.campaign_dir = campaign_dir
        self.cameras: list[CameraFile] = []
        self.tufts: list[tuple[str, TuftMark]] = []
        self.engines: set[str] = set()
        self.marked: list[RunMarks] = []
        self.configurations: dict[str, None] = {}  # in the order flown
        self.conditions: dict[str, Conditions] = {}
        self.newest_utc = ""
        self.campaign_file = read_bytes(campaign_dir / flow.CAMPAIGN_FILE)

    @property
    def weight_unit(self) -> str:
        """What the owner weighs in: ``lb`` where the campaign file gives the empty weight so, else ``kg``."""
        aircraft = tomllib.loads(self.campaign_file.decode("utf-8")).get("aircraft", {})
        return "lb" if "empty_weight_lb" in aircraft else "kg"

    def add(self, data: FlightData, rows: Sequence[JournalRow]) -> tuple[CameraFile, ...]:
        """Take a flight and the rows of its journal; returns its cameras."""
        self.newest_utc = max([self.newest_utc, *(row.utc for row in rows if row.utc)])
        cameras = cameras_in(rows, data.info.id)
        self.cameras += cameras
        self.tufts += [(data.info.id, mark) for mark in in_force(flight_marks(rows))]
        self.marked += marks_of_flight(data, rows)
        if data.info.configuration:
            self.configurations[data.info.configuration] = None
        self.engines |= {c.heard.engine for r in data.runs.runs for c in r.calls if c.heard and c.heard.engine}
        return cameras

    def extras(self, unit: str, warn: Callable[[str], None] = lambda message: None) -> Extras:
        """All of it, for the report; `unit` is the indicator's."""
        pictures, troubles = read_pictures(self.campaign_dir / STILLS_DIR, STILL_WIDTH_PX, STILL_QUALITY)
        for trouble in troubles:
            warn(trouble)
        photos, troubles = read_photos(self.campaign_dir / PHOTOS_DIR)
        for trouble in troubles:
            warn(trouble)
        return Extras(
            photos=tuple(Photo(configuration=place, file=name, jpeg=jpeg) for place, name, jpeg in photos),
            conditions=tuple(self.conditions.items()),
            cameras=tuple(self.cameras),
            tufts=tuple(self.tufts),
            wings=_wings(self.marked, tuple(self.configurations), unit),
            stills=tuple(SavedStill(about=about, jpeg=jpeg) for about, jpeg in pictures),
            campaign_file=read_bytes(self.campaign_dir / flow.CAMPAIGN_FILE),
            versions=(
                ("kneecall", __version__),
                ("Python", platform.python_version()),
                ("engine", ", ".join(sorted(self.engines)) or "none"),
            ),
        )


def _wings(marked: Sequence[RunMarks], configurations: Sequence[str], unit: str) -> tuple[WingMap, ...]:
    """Where each station of each view first separated, and the others less the first, by test point."""
    found = []
    for point in dict.fromkeys(one.point for one in marked):
        maps = wing_maps(marked, point, configurations)
        for one in maps:
            cells = _cells((f.station, map_cell(f, maps, unit), first_words(f, unit)[1]) for f in one.first)
            found.append(WingMap(point=point, configuration=one.configuration, view=one.view, cells=cells))
        for reference, changed in pairs(maps):
            cells = _cells(
                (d.station, difference_cell(d, unit), difference_words(d, changed.configuration, unit)[1])
                for d in differences(reference, changed)
            )
            found.append(
                WingMap(
                    point=point,
                    configuration=changed.configuration,
                    reference=reference.configuration,
                    view=changed.view,
                    cells=cells,
                )
            )
    return tuple(found)


def _cells(stations: Iterable[tuple[str, MapCell, str]]) -> tuple[WingCell, ...]:
    """(station, what is drawn, words) to cells of a map; stations that no grid of ours made are left out."""
    cells = []
    for station, drawn, long in stations:
        span, _, chord = station.partition("/")
        try:
            cells.append(WingCell(span_pct=float(span), chord_pct=float(chord), drawn=drawn, description=long))
        except ValueError:
            continue
    return tuple(cells)


class SoundFinder:
    """A stretch of a flight's sound as a small Ogg; the sound of a run is read at once, for its calls come together."""

    def __init__(
        self, reader: flow.FlightByFlight, runs: Iterable[RunView], warn: Callable[[str], None] = lambda message: None
    ):
        self.reader, self.warn = reader, warn
        self.spans: dict[str, list[tuple[float, float]]] = {}
        for view in runs:
            self.spans.setdefault(view.flight, []).append((max(view.run.start_s - 5, 0.0), view.run.end_s + 5))
        self.kept = ("", 0.0, 0.0)  # flight and stretch of `pcm`
        self.pcm = np.zeros(0, np.int16)

    def __call__(self, flight: str, start_s: float, end_s: float) -> bytes | None:
        if not (self.kept[0] == flight and self.kept[1] <= start_s and end_s <= self.kept[2]):
            self._read(flight, start_s, end_s)
        first = round((start_s - self.kept[1]) * RATE_HZ)
        part = self.pcm[first : first + round((end_s - start_s) * RATE_HZ)]
        return encode_opus(part, effort=1) if len(part) and part.any() else None

    def _read(self, flight: str, start_s: float, end_s: float) -> None:
        around = [span for span in self.spans.get(flight, ()) if span[0] <= start_s and end_s <= span[1]]
        begin, end = around[0] if around else (start_s, end_s)
        try:
            first, last = round(begin * RATE_HZ), round(end * RATE_HZ)
            self.pcm = read_samples(self.reader.folder_of(flight), self.reader.segments_of(flight), first, last)
        except LogError as err:  # the page counts what is missing
            self.warn(f"No sound for {flight}: {err}")
            self.pcm = np.zeros(0, np.int16)
        self.kept = (flight, begin, end)


def frame_finder(
    campaign_dir: Path, cameras: Iterable[CameraFile], folder_of: Callable[[str], Path] | None = None
) -> FrameFinder | None:
    """Gives the picture at a time of a flight; None when no camera was synced.

    Parameters
    ----------
    folder_of : callable, optional
        A flight's id to its folder; the folder of that name if not given.
    """
    folder_of = folder_of or (lambda flight: campaign_dir / flow.FLIGHTS_DIR / flight)
    synced = [
        (camera, _quick_path(campaign_dir, camera, folder_of(camera.flight)))
        for camera in cameras
        if camera.clock_map is not None
    ]
    return FrameFinder(synced) if synced else None


def _quick_path(campaign_dir: Path, camera: CameraFile, flight_dir: Path) -> Path:
    """The small copy of a camera's file, where there is one: it has the same pictures at the same times."""
    path = camera_path(flight_dir, camera.file)
    if not path.is_file():
        return path
    proxy = proxy_path(campaign_dir, camera.flight, path)
    return proxy if proxy.is_file() else path


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """A clip that was made, and of what."""

    path: Path
    run: str
    flight: str
    camera: str


def make_clip(
    campaign_dir: Path, out: Path, wanted: str, camera_name: str | None = None, stage: Stage = silent
) -> Clip:
    """A copy of a camera's video of one run, with speed, time and events written in.

    Parameters
    ----------
    out : Path
        Folder to put it in.
    wanted : str
        The run's id, or ``FLIGHT:NUMBER``.
    camera_name : str, optional
        Needed where the flight has several cameras.

    Raises
    ------
    ReportError
        There is no such run or camera, or the camera's file does not show the run.
    """
    reader = flow.FlightByFlight(campaign_dir)
    chosen = _chosen_run(reader, wanted)
    camera, clock_map = _chosen_camera(cameras_in(reader.rows, chosen.flight), chosen, camera_name)
    name = f"clip_{file_name(chosen.flight)}_run{chosen.run.number}_{file_name(camera.camera)}.mp4"
    video = camera_path(reader.folder_of(chosen.flight), camera.file)
    with stage(f"Clip of {chosen.name}") as bar:
        path = write_clip(out / name, video, clock_map, chosen, reader.campaign.indicator.unit, bar.to)
    return Clip(path=path, run=chosen.run.id, flight=chosen.flight, camera=camera.camera)


def _chosen_run(reader: flow.FlightByFlight, wanted: str) -> RunView:
    """The one run of this id, or FLIGHT:NUMBER; flights are read until it is clear that there is no other."""
    flight, _, number = wanted.rpartition(":")
    named = [folder for folder in reader.folders if folder.name == flight]
    found: list[RunView] = []
    known: list[str] = []
    rows: Sequence[JournalRow] = ()
    for data, runs in reader.of(named or reader.folders):
        views = PageBuilder(reader.campaign).add(data, runs).runs
        known += [f"{view.flight}:{view.run.number}" for view in views]
        matching = [
            view
            for view in views
            if wanted in (view.run.id, f"{view.flight}:{view.run.id}")
            or (view.flight == flight and str(view.run.number) == number)
        ]
        if matching:
            found, rows = found + matching, reader.rows
    if len(found) == 1:
        reader.rows = rows
        return found[0]
    listed = ", ".join(known[:MAX_NAMED]) + (f" and {len(known) - MAX_NAMED} more" if len(known) > MAX_NAMED else "")
    got = "no such run" if not found else f"{len(found)} runs of that id"
    raise ReportError(f"--clip {wanted}: {got}; expected one of {listed or 'none'}.")


def _chosen_camera(cameras: Sequence[CameraFile], chosen: RunView, wanted: str | None) -> tuple[CameraFile, ClockMap]:
    """The camera's file that shows most of the run."""
    named = [camera for camera in cameras if wanted is None or camera.named(wanted)]
    names = sorted({camera.camera for camera in cameras})
    if not named:
        got = f"--camera {wanted}" if wanted else f"{chosen.flight}"
        raise ReportError(
            f"{got}: no such camera in flight {chosen.flight}; expected one of "
            f"{', '.join(names) or 'none: no camera file is linked'}.",
            hint="Link camera files with: kneecall sync FLIGHT VIDEO",
        )
    if len({camera.camera for camera in named}) > 1:
        raise ReportError(
            f"--clip {chosen.flight}:{chosen.run.number}: which camera? Give --camera, one of {', '.join(names)}."
        )
    synced = [(camera, camera.clock_map) for camera in named if camera.clock_map is not None]
    if not synced:
        raise ReportError(
            f"camera {named[0].camera} of flight {chosen.flight}: not on the flight clock; a clip needs its clock map.",
            hint=f"Sync it first: kneecall sync {chosen.flight} {named[0].file}",
        )
    return max(synced, key=lambda one: _overlap_s(one[0], one[1], chosen.run))


def _overlap_s(camera: CameraFile, clock_map: ClockMap, run: Run) -> float:
    begin_s, end_s = clock_map.offset_s, clock_map.offset_s + (camera.duration_s or 1e9)
    return min(end_s, run.end_s) - max(begin_s, run.start_s)
