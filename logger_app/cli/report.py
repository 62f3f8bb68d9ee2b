"""`kneecall report`: the page, the tables and the subtitles of a campaign; or one clip with the calls written in."""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = (
    "Write the report of a campaign: one page, its tables, subtitles for each camera; or a clip of one run."
)
EXAMPLE = "kneecall report sparrow -o sparrow-report --pdf"
# Of pictures saved from comparing: two sides at 700 px keep their captions legible.
STILL_WIDTH_PX, STILL_QUALITY = 1500, 78


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("campaign", type=Path, metavar="CAMPAIGN", help="campaign folder")
    parser.add_argument("-o", "--output", type=Path, metavar="DIR",
                        help="folder of the report (default: CAMPAIGN/results/report); an older report there is replaced")  # fmt: skip
    parser.add_argument("--pdf", action="store_true", help="write report.pdf too")
    parser.add_argument("--open", action="store_true", help="open the page when it is made")
    parser.add_argument("--at", metavar="SPEEDS", default="1.2,1.1,1.05,stall",
                        help="speeds of the contact sheets: stall, multiples of it, speeds with a unit "
                             "(default: 1.2,1.1,1.05,stall; or 55kt,50kt,stall)")  # fmt: skip
    parser.add_argument("--every-picture", action="store_true",
                        help="a picture for every call also where camera files are large: may take minutes")  # fmt: skip
    parser.add_argument("--clip", metavar="RUN",
                        help="instead of a report: a copy of a camera's video of this run, with speed, time and events "
                             "written in; RUN is its id or FLIGHT:NUMBER")  # fmt: skip
    parser.add_argument("--camera", metavar="NAME", help="which camera the clip is of (with --clip)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Load, reduce, write; see the module's docstring."""
    from logger_app import flow

    campaign, flights, reduction = flow.reduce_all(args.campaign)
    out = args.output or args.campaign / "results" / "report"
    if args.clip:
        return _clip(args, out, campaign, flights, reduction)
    speeds = tuple(args.at.split(","))
    page = write(
        args.campaign,
        out,
        campaign,
        flights,
        reduction,
        pdf=args.pdf,
        speeds=speeds,
        every_picture=args.every_picture,
    )
    if args.open:
        _open(page)
    if args.json:
        print_json(
            {
                "report": str(page),
                "bytes": page.stat().st_size,
                "pdf": str(out / "report.pdf") if args.pdf else None,
            }
        )
    else:
        print(page)
    return 0


def write(
    campaign_dir: Path,
    out: Path,
    campaign,
    flights,
    reduction,
    *,
    pdf: bool = False,
    speeds=None,
    every_picture: bool = False,
) -> Path:
    """Write the report of a campaign with everything that its folder has: sound, pictures, tufts, subtitles."""
    from dataclasses import replace

    from logger_app.report.report_io import write_report

    extras = gather(campaign_dir, flights)
    frame_of = frame_finder(campaign_dir, extras)
    few = frame_of is not None and frame_of.costly and not every_picture
    extras = replace(
        extras,
        few_pictures=few,
        sheet_speeds=speeds or extras.sheet_speeds,
        wings=wings(campaign_dir, flights, campaign.indicator.unit),
        stills=saved_stills(campaign_dir),
    )
    with Progress("Sound and pictures") as progress:
        return write_report(
            out,
            campaign,
            flights,
            reduction,
            sound_of=SoundFinder(campaign_dir, flights),
            frame_of=frame_of,
            pdf=pdf,
            extras=extras,
            progress=progress.to,
        )


def gather(campaign_dir: Path, flights):
    """What the journals say of cameras and tufts, the campaign's file and the versions."""
    import platform

    from logger_app import __version__, flow
    from logger_app.report.extras import Extras

    cameras, tufts = [], []
    for data in flights:
        of_flight, marks = _journalled(campaign_dir / flow.FLIGHTS_DIR / data.info.id, data.info.id)
        cameras += of_flight
        tufts += marks
    file = campaign_dir / flow.CAMPAIGN_FILE if campaign_dir.is_dir() else campaign_dir
    engines = sorted(
        {c.heard.engine for d in flights for r in d.runs.runs for c in r.calls if c.heard and c.heard.engine}
    )
    return Extras(
        cameras=tuple(cameras),
        tufts=tuple(tufts),
        campaign_file=file.read_bytes(),
        versions=(
            ("kneecall", __version__),
            ("Python", platform.python_version()),
            ("engine", ", ".join(engines) or "none"),
        ),
    )


def saved_stills(campaign_dir: Path):
    """Pictures saved from comparing; what cannot be taken is said."""
    from logger_app.report.extras import SavedStill
    from logger_app.stills_io import STILLS_DIR, read_pictures

    pictures, troubles = read_pictures(Path(campaign_dir) / STILLS_DIR, STILL_WIDTH_PX, STILL_QUALITY)
    for trouble in troubles:
        say(trouble)
    return tuple(SavedStill(about=about, jpeg=jpeg) for about, jpeg in pictures)


def wings(campaign_dir: Path, flights, unit: str):
    """Where each station of each configuration first separated, and the others less the first, by test point."""
    from logger_app.report.extras import WingMap
    from logger_app.sync.tufts import difference_map
    from logger_app.sync.wing_words import difference_words, first_words
    from logger_app.wing_desk import marks_of_runs, wing_maps

    marked, found = marks_of_runs(campaign_dir, flights), []
    for point in dict.fromkeys(one.point for one in marked):
        names = list(dict.fromkeys(data.info.configuration for data in flights if data.info.configuration))
        maps = list(wing_maps(marked, point, names).values())
        for one in maps:
            found.append(WingMap(point=point, configuration=one.configuration, cells=_cells(one.first, lambda f: first_words(f, unit))))
        for other in maps[1:]:
            cells = _cells(difference_map(maps[0], other), lambda d, other=other: difference_words(d, maps[0], other, unit))
            found.append(WingMap(point=point, configuration=other.configuration, reference=maps[0].configuration, cells=cells))
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
    from logger_app.logstore import codec
    from logger_app.logstore.store import Journal
    from logger_app.records.journal import RowKind
    from logger_app.report.extras import CameraFile, TuftMark
    from logger_app.sync.tufts import body_to_mark, standing

    with Journal.open(flight_dir, read_only=True) as journal:
        rows = list(journal.rows(RowKind.MEDIA, RowKind.CLOCK_MAP, RowKind.TUFT))
    maps = {}
    for row in rows:
        if row.kind is RowKind.CLOCK_MAP:  # the last one holds
            found = codec.body_to_clock_map(row.body)
            maps[found.source] = found
    named = {}
    for source, found in maps.items():
        named.setdefault(Path(source).name, []).append(found)
    maps |= {name: found[0] for name, found in named.items() if len(found) == 1}
    media = {row.body["file"]: row.body for row in rows if row.kind is RowKind.MEDIA}
    cameras = [
        CameraFile(
            flight=flight,
            camera=str(body.get("camera") or Path(file).stem),
            file=file,
            duration_s=body.get("duration_s"),
            clock_map=next(
                (maps[name] for name in (file, Path(file).name, body.get("camera")) if name in maps), None
            ),
            sha256=body.get("sha256", ""),
        )
        for file, body in media.items()
    ]
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

    def __init__(self, campaign_dir: Path, flights):
        from logger_app import flow

        self.folder = campaign_dir / flow.FLIGHTS_DIR
        self.spans = {
            data.info.id: [(max(run.start_s - 5, 0.0), run.end_s + 5) for run in data.runs.runs]
            for data in flights
        }
        self.kept: tuple[str, float, float] | None = None
        self.pcm = None

    def __call__(self, flight: str, start_s: float, end_s: float) -> bytes | None:
        from logger_app.sound_io import encode_opus

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
    from logger_app import flow

    flight_dir = campaign_dir / flow.FLIGHTS_DIR / camera.flight
    noted = Path(camera.file)
    places = [flight_dir / noted, flight_dir / "media" / noted.name]  # an absolute path wins in the first
    return next((place for place in places if place.is_file()), places[0])


def _clip(args, out: Path, campaign, flights, reduction) -> int:
    from logger_app.report.clip_io import write_clip
    from logger_app.report.subtitles import file_name
    from logger_app.report.view import build_page

    chosen = _chosen_run(build_page(campaign, flights, reduction), args.clip)
    extras = gather(args.campaign, [data for data in flights if data.info.id == chosen.flight])
    camera = _chosen_camera(extras.cameras, chosen, args.camera)
    name = f"clip_{file_name(chosen.flight)}_run{chosen.run.number}_{file_name(camera.camera)}.mp4"
    with Progress(f"Clip of {chosen.name}") as progress:
        clip = write_clip(
            out / name,
            camera_path(args.campaign, camera),
            camera.clock_map,
            chosen,
            campaign.indicator.unit,
            progress.to,
        )
    if args.open:
        _open(clip)
    if args.json:
        print_json(
            {"clip": str(clip), "run": chosen.run.id, "flight": chosen.flight, "camera": camera.camera}
        )
    else:
        print(clip)
    return 0


def _chosen_run(page, wanted: str):
    from logger_app.errors import ReportError

    flight, _, number = wanted.rpartition(":")
    found = [
        view
        for view in page.runs
        if view.run.id == wanted
        or (view.flight == flight and str(view.run.number) == number)
        or f"{view.flight}:{view.run.id}" == wanted
    ]
    if len(found) == 1:
        return found[0]
    known = ", ".join(f"{view.flight}:{view.run.number}" for view in page.runs) or "none"
    got = "no such run" if not found else f"{len(found)} runs of that id"
    raise ReportError(f"--clip {wanted}: {got}; expected one of {known}.")


def _chosen_camera(cameras, chosen, wanted: str | None):
    """The camera's file that shows most of the run."""
    from logger_app.errors import ReportError

    named = [camera for camera in cameras if wanted in (None, camera.camera, camera.file)]
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
