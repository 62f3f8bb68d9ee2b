"""`kneecall report`: the page, the tables and the subtitles of a campaign; or one clip with the calls written in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = "Write the report of a campaign: one page, its tables, subtitles for each camera; or a clip of one run."
EXAMPLE = "kneecall report sparrow -o sparrow-report --pdf"
# Of pictures saved from comparing: two sides at 700 px keep their captions legible.
STILL_WIDTH_PX, STILL_QUALITY = 1500, 78
MAX_NAMED = 40  # runs in a message


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("campaign", type=Path, metavar="CAMPAIGN", help="campaign folder")
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="DIR",
        help="folder of the report (default: CAMPAIGN/results/report); an older report there is replaced",
    )
    parser.add_argument("--pdf", action="store_true", help="write report.pdf too")
    parser.add_argument("--open", action="store_true", help="open the page when it is made")
    parser.add_argument(
        "--at",
        metavar="SPEEDS",
        default="1.2,1.1,1.05,stall",
        help="speeds of the contact sheets: stall, multiples of it, speeds with a unit "
        "(default: 1.2,1.1,1.05,stall; or 55kt,50kt,stall)",
    )
    parser.add_argument(
        "--runs",
        metavar="LIST",
        default="",
        help="runs that the page must show in detail: FLIGHT, FLIGHT:3, FLIGHT:3-9, separated by commas; a long "
        "campaign's page details 120 runs and says which",
    )
    parser.add_argument(
        "--every-picture",
        action="store_true",
        help="a picture for every call also where camera files are large: may take minutes",
    )
    parser.add_argument(
        "--clip",
        metavar="RUN",
        help="instead of a report: a copy of a camera's video of this run, with speed, time and events "
        "written in; RUN is its id or FLIGHT:NUMBER",
    )
    parser.add_argument("--camera", metavar="NAME", help="which camera the clip is of (with --clip)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Load, reduce, write; see the module's docstring."""
    out = args.output or args.campaign / "results" / "report"
    if args.clip:
        return _clip(args, out)
    asked = tuple(part.strip() for part in args.runs.split(",") if part.strip())
    page = write(
        args.campaign,
        out,
        asked=asked,
        pdf=args.pdf,
        speeds=tuple(args.at.split(",")),
        every_picture=args.every_picture,
    )
    if args.open:
        _open(page)
    if args.json:
        print_json(
            {"report": str(page), "bytes": page.stat().st_size, "pdf": str(out / "report.pdf") if args.pdf else None}
        )
    else:
        print(page)
    return 0


def write(
    campaign_dir: Path,
    out: Path,
    *,
    asked: Sequence[str] = (),
    pdf: bool = False,
    speeds=None,
    every_picture: bool = False,
) -> Path:
    """Write the report of a campaign with everything that its folder has: sound, pictures, tufts, subtitles.

    Flights are read, reduced and written down one after another; see `ReportWriter`.
    """
    from logger_app.report.report_io import PAGE, ReportWriter
    from logger_app.workflows.campaign import FlightByFlight

    reader = FlightByFlight(campaign_dir)
    gathered = Gathered(campaign_dir)
    with ReportWriter(out, reader.campaign) as report:
        with Progress("Flights") as progress:
            for k, (data, runs) in enumerate(reader, 1):
                report.add(data, runs, gathered.add(data))
                progress.to(k / len(reader))
        extras = gathered.extras(reader.campaign.indicator.unit, speeds)
        pictured = [(side.flight, side.run) for still in extras.stills for side in still.about.sides]
        page = report.page(reader.reduction(), reader.again, asked, pictured)
        frame_of = frame_finder(campaign_dir, extras)
        few = frame_of is not None and frame_of.costly and not every_picture
        with Progress("Sound and pictures") as progress:
            report.finish(
                page,
                SoundFinder(campaign_dir, page.shown),
                frame_of,
                pdf=pdf,
                extras=replace(extras, few_pictures=few),
                progress=progress.to,
            )
    return out / PAGE


class Gathered:
    """What the journals say of cameras and tufts, a flight at a time; the campaign's file and the versions."""

    def __init__(self, campaign_dir: Path):
        self.campaign_dir = campaign_dir
        self.cameras, self.tufts, self.engines = [], [], set()
        self.marked, self.configurations = [], {}

    def add(self, data):
        """Take a flight; its cameras."""
        from logger_app.workflows import campaign as flow
        from logger_app.workflows.tufts import marks_of_runs

        cameras, marks = _journalled(self.campaign_dir / flow.FLIGHTS_DIR / data.info.id, data.info.id)
        self.cameras += cameras
        self.tufts += marks
        self.marked += marks_of_runs(self.campaign_dir, [data])
        if data.info.configuration:
            self.configurations[data.info.configuration] = None  # in the order flown
        self.engines |= {c.heard.engine for r in data.runs.runs for c in r.calls if c.heard and c.heard.engine}
        return cameras

    def extras(self, unit: str, speeds=None):
        """All of it, for the report; `unit` is the indicator's."""
        import platform

        from logger_app import __version__
        from logger_app.report.extras import Extras
        from logger_app.workflows import campaign as flow

        file = self.campaign_dir / flow.CAMPAIGN_FILE if self.campaign_dir.is_dir() else self.campaign_dir
        return Extras(
            cameras=tuple(self.cameras),
            tufts=tuple(self.tufts),
            wings=wings(self.marked, tuple(self.configurations), unit),
            stills=saved_stills(self.campaign_dir),
            campaign_file=file.read_bytes(),
            versions=(
                ("kneecall", __version__),
                ("Python", platform.python_version()),
                ("engine", ", ".join(sorted(self.engines)) or "none"),
            ),
            sheet_speeds=speeds or Extras().sheet_speeds,
        )


def gather(campaign_dir: Path, flights, unit: str = "kt"):
    """All of it for flights that are at hand; `unit` is the indicator's."""
    gathered = Gathered(campaign_dir)
    for data in flights:
        gathered.add(data)
    return gathered.extras(unit)


def saved_stills(campaign_dir: Path):
    """Pictures saved from comparing; what cannot be taken is said."""
    from logger_app.io.stills import STILLS_DIR, read_pictures
    from logger_app.report.extras import SavedStill

    pictures, troubles = read_pictures(Path(campaign_dir) / STILLS_DIR, STILL_WIDTH_PX, STILL_QUALITY)
    for trouble in troubles:
        say(trouble)
    return tuple(SavedStill(about=about, jpeg=jpeg) for about, jpeg in pictures)


def wings(marked, configurations: Sequence[str], unit: str):
    """Where each station of each configuration first separated, and the others less the first, by test point."""
    from logger_app.report.extras import WingMap
    from logger_app.sync.tufts import difference_map
    from logger_app.sync.wing_words import difference_words, first_words
    from logger_app.workflows.tufts import wing_maps

    found = []
    for point in dict.fromkeys(one.point for one in marked):
        maps = list(wing_maps(marked, point, configurations).values())
        for one in maps:
            found.append(
                WingMap(
                    point=point,
                    configuration=one.configuration,
                    cells=_cells(one.first, lambda f: first_words(f, unit)),
                )
            )
        for other in maps[1:]:
            cells = _cells(
                difference_map(maps[0], other), lambda d, other=other: difference_words(d, maps[0], other, unit)
            )
            found.append(
                WingMap(point=point, configuration=other.configuration, reference=maps[0].configuration, cells=cells)
            )
    return tuple(found)


def _cells(stations, words_of):
    from logger_app.report.extras import WingCell

    cells = []
    for one in stations:
        span, _, chord = one.station.partition("/")
        try:
            place = {"span_pct": float(span), "chord_pct": float(chord)}
        except ValueError:  # a row that no grid of ours made
            continue
        short, says = words_of(one)
        cells.append(WingCell(words=short, says=says, proposed=one.proposed, **place))
    return tuple(cells)


def _journalled(flight_dir: Path, flight: str):
    from logger_app.domain.cameras import camera_files
    from logger_app.logstore import codec
    from logger_app.logstore.store import Journal
    from logger_app.records.journal import RowKind
    from logger_app.report.extras import TuftMark
    from logger_app.sync.tufts import body_to_mark, standing

    with Journal.open(flight_dir, read_only=True) as journal:
        rows = list(journal.rows(RowKind.MEDIA, RowKind.CLOCK_MAP, RowKind.TUFT))
    cameras = list(
        camera_files(
            (row.body for row in rows if row.kind is RowKind.MEDIA),
            (codec.body_to_clock_map(row.body) for row in rows if row.kind is RowKind.CLOCK_MAP),
            flight,
        )
    )
    tufts = [
        TuftMark(
            flight=flight,
            flight_s=mark.flight_ns / 1e9,
            camera=mark.camera,
            station=mark.station,
            state=str(mark.state).replace("_", " "),
            ias_kt=mark.ias_kt,
            proposed=mark.proposed,
            who=mark.who,
        )
        for mark in standing(body_to_mark(row.body, row.flight_ns) for row in rows if row.kind is RowKind.TUFT)
    ]
    return cameras, tufts


class SoundFinder:
    """A stretch of a flight's sound as a small Ogg; a whole run is read at once, for its calls come together."""

    def __init__(self, campaign_dir: Path, runs):
        from logger_app.workflows import campaign as flow

        self.folder = campaign_dir / flow.FLIGHTS_DIR
        self.spans: dict[str, list[tuple[float, float]]] = {}
        for view in runs:
            self.spans.setdefault(view.flight, []).append((max(view.run.start_s - 5, 0.0), view.run.end_s + 5))
        self.kept: tuple[str, float, float] | None = None
        self.pcm = None

    def __call__(self, flight: str, start_s: float, end_s: float) -> bytes | None:
        from logger_app.io.sound import encode_opus

        rate = 16_000
        if not (self.kept and self.kept[0] == flight and self.kept[1] <= start_s and end_s <= self.kept[2]):
            self._read(flight, start_s, end_s)
        first = round((start_s - self.kept[1]) * rate)
        part = self.pcm[first : first + round((end_s - start_s) * rate)]
        return encode_opus(part, effort=1) if len(part) and part.any() else None

    def _read(self, flight: str, start_s: float, end_s: float) -> None:
        from logger_app.errors import LogError
        from logger_app.logstore.audio_io import read_sound

        around = [span for span in self.spans.get(flight, ()) if span[0] <= start_s and end_s <= span[1]]
        begin, end = around[0] if around else (start_s, end_s)
        try:
            self.pcm = read_sound(self.folder / flight, begin, end)
        except LogError as err:  # the figures stand without it; the page counts what is missing
            say(f"No sound for {flight}: {err}")
            import numpy as np

            self.pcm = np.zeros(0, np.int16)
        self.kept = (flight, begin, end)


def frame_finder(campaign_dir: Path, extras):
    """A function that gives the picture at a time of a flight, or None when no camera was synced."""
    synced = [camera for camera in extras.cameras if camera.clock_map is not None]
    if not synced:
        return None
    from logger_app.report.frames_io import FrameFinder

    return FrameFinder([(camera, quick_path(campaign_dir, camera)) for camera in synced])


def quick_path(campaign_dir: Path, camera) -> Path:
    """The small copy of a camera's file where it is made, for it has the same pictures at the same times; else the file."""
    from logger_app.sync.video_io import proxy_path

    path = camera_path(campaign_dir, camera)
    if not path.is_file():
        return path
    proxy = proxy_path(campaign_dir, camera.flight, path)
    return proxy if proxy.is_file() else path


def camera_path(campaign_dir: Path, camera) -> Path:
    """Where a camera's file lies: as noted, else in the flight's `media` folder."""
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.cameras import camera_path as found_at

    return found_at(campaign_dir / flow.FLIGHTS_DIR / camera.flight, camera.file)


def _clip(args, out: Path) -> int:
    from logger_app.report.clip_io import write_clip
    from logger_app.report.subtitles import file_name
    from logger_app.workflows import campaign as flow

    reader = flow.FlightByFlight(args.campaign)
    chosen = _chosen_run(reader, args.clip)
    extras = gather(args.campaign, [reader.again(chosen.flight, set())[0]])
    camera = _chosen_camera(extras.cameras, chosen, args.camera)
    name = f"clip_{file_name(chosen.flight)}_run{chosen.run.number}_{file_name(camera.camera)}.mp4"
    with Progress(f"Clip of {chosen.name}") as progress:
        clip = write_clip(
            out / name,
            camera_path(args.campaign, camera),
            camera.clock_map,
            chosen,
            reader.campaign.indicator.unit,
            progress.to,
        )
    if args.open:
        _open(clip)
    if args.json:
        print_json({"clip": str(clip), "run": chosen.run.id, "flight": chosen.flight, "camera": camera.camera})
    else:
        print(clip)
    return 0


def _chosen_run(reader, wanted: str):
    """The one run of this id, or FLIGHT:NUMBER; flights are read until it is clear that there is no other."""
    from logger_app.errors import ReportError
    from logger_app.report.view import PageBuilder

    flight, _, number = wanted.rpartition(":")
    named = [folder for folder in reader.folders if folder.name == flight]
    found, known = [], []
    for data, runs in reader.of(named or reader.folders):
        views = PageBuilder(reader.campaign).add(data, runs).runs
        known += [f"{view.flight}:{view.run.number}" for view in views]
        found += [
            view
            for view in views
            if view.run.id == wanted
            or (view.flight == flight and str(view.run.number) == number)
            or f"{view.flight}:{view.run.id}" == wanted
        ]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(known[:MAX_NAMED]) + (f" and {len(known) - MAX_NAMED} more" if len(known) > MAX_NAMED else "")
    got = "no such run" if not found else f"{len(found)} runs of that id"
    raise ReportError(f"--clip {wanted}: {got}; expected one of {listed or 'none'}.")


def _chosen_camera(cameras, chosen, wanted: str | None):
    """The camera's file that shows most of the run."""
    from logger_app.errors import ReportError

    named = [camera for camera in cameras if wanted is None or camera.named(wanted)]
    names = sorted({camera.camera for camera in cameras})
    if not named:
        got = f"--camera {wanted}" if wanted else f"{chosen.flight}"
        raise ReportError(
            f"{got}: no such camera in flight {chosen.flight}; expected one of {', '.join(names) or 'none: no camera file is linked'}.",
            hint="Link camera files with: kneecall sync FLIGHT VIDEO",
        )
    if len({camera.camera for camera in named}) > 1:
        raise ReportError(
            f"--clip {chosen.flight}:{chosen.run.number}: which camera? Give --camera, one of {', '.join(names)}."
        )
    synced = [camera for camera in named if camera.clock_map is not None]
    if not synced:
        raise ReportError(
            f"camera {named[0].camera} of flight {chosen.flight}: not on the flight clock; a clip needs its clock map.",
            hint=f"Sync it first: kneecall sync {chosen.flight} {named[0].file}",
        )
    return max(synced, key=lambda camera: _overlap_s(camera, chosen.run))


def _overlap_s(camera, run) -> float:
    begin_s, end_s = camera.clock_map.offset_s, camera.clock_map.offset_s + (camera.duration_s or 1e9)
    return min(end_s, run.end_s) - max(begin_s, run.start_s)


def _open(page: Path) -> None:
    import webbrowser

    if not webbrowser.open(page.resolve().as_uri()):
        say(f"No browser could be started; open {page}")
