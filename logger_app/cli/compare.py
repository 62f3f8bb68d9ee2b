"""`kneecall compare`: the wing of two (or more) configurations at the same airspeeds and at the stall."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = """Stills of the wing at chosen speeds and at the stall, one row a configuration; a side-by-side clip
aligned on the stall; subtitles; where tufts were marked, the speed at which each station first separated.
Cameras must be on the flight clock (`kneecall sync`). Without -o the report shows the stills as well."""
EXAMPLE = """kneecall compare sparrow --point A2 --configs baseline,cuffs --at 1.2,1.1,stall
         kneecall compare sparrow --point A2 --configs baseline,cuffs --at 52kt,48kt,stall -o out
         kneecall compare sparrow --point A2 --configs baseline,cuffs --screen --quick
         kneecall compare sparrow --point A2 --run cuffs=day2_cuffs:4 -o out"""
DEFAULT_AT = "1.2,1.1,1.05,stall"
MAX_SIDES = 4


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("campaign", metavar="CAMPAIGN", type=Path, help="campaign folder")
    parser.add_argument("--point", required=True, metavar="ID", help="test point")
    parser.add_argument(
        "--configs", metavar="A,B", help="configurations, two to four (default: the first comparison of the campaign)"
    )
    parser.add_argument(
        "--at",
        default=DEFAULT_AT,
        metavar="LIST",
        help=f"stall, ratios to the stall speed, airspeeds (default: {DEFAULT_AT})",
    )
    parser.add_argument(
        "--run",
        dest="chosen",
        metavar="CONFIG=RUN",
        action="append",
        default=[],
        help="use this run: its id, or FLIGHT:NUMBER",
    )
    parser.add_argument("--camera", metavar="NAME", help="which camera (default: the first that was running)")
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="DIR",
        help="where to write (default: CAMPAIGN/results/compare, where the report looks)",
    )
    parser.add_argument(
        "--screen",
        action="store_true",
        help="look at them in a window: one slider for all, tuft stations, stills to keep",
    )
    parser.add_argument(
        "--who",
        default="",
        metavar="NAME",
        help="with --screen: whose observations (default: KNEECALL_WHO, or login name)",
    )
    parser.add_argument(
        "--quick",
        action="store_true",
        help="first make the small copies of the camera files that the slider and the report's pictures are quick with; takes minutes, once",
    )
    parser.add_argument("--no-clip", action="store_true", help="stills only")
    parser.add_argument("--force", action="store_true", help="replace files of an earlier comparison")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Choose the runs, take the pictures, write sheet, clip and subtitles."""
    from logger_app.domain.moments import moments
    from logger_app.io.stills import STILLS_DIR
    from logger_app.logstore.store import utc_now
    from logger_app.sync.choose import choose_runs
    from logger_app.sync.sheet_io import stills, write_clip, write_sheet, write_subtitles
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.cameras import open_cameras

    reader = flow.FlightByFlight(args.campaign)
    campaign = reader.campaign
    unit = campaign.indicator.unit
    columns = moments(args.at, unit)
    names = _configurations(campaign, args)
    folder = args.output or args.campaign / STILLS_DIR
    files = {
        key: folder / f"{args.point}_{'_'.join(names)}{end}"
        for key, end in (("sheet", ".png"), ("clip", ".mp4"), ("subtitles", ".vtt"))
    }
    if not args.screen:
        _refuse_existing(files, args)
    with Progress("Flights") as bar:
        flights = []
        for data, _ in reader:
            flights.append(_without_calls(data, args.point))
            bar.to(len(flights) / len(reader))
    reduction = reader.reduction()
    with ExitStack() as open_files:
        cameras = {}
        candidates = {}
        for name in names:
            runs = [r for r in reduction.runs if (r.point, r.configuration) == (args.point, name)]
            for flight in {r.flight for r in runs} - set(cameras):
                cameras[flight] = open_files.enter_context(
                    open_cameras(args.campaign, flight, reader.folder_of(flight))
                )
            _need_runs(runs, name, args, cameras)
            candidates[name] = [r for r in runs if _seen(r, cameras[r.flight], args.camera)]
        chosen, why = choose_runs(candidates, _wanted(args, names))
        chosen, flights = _in_full(reader, chosen, flights)
        sides = [_side(campaign, name, chosen[name], cameras, args.camera) for name in names]
        if args.quick:
            _make_quick(args.campaign, sides)
        if args.screen:
            return _screen(args, campaign, flights, sides, why)
        title = f"{args.point} · {_point_label(campaign, args.point)} · " + " / ".join(side.name for side in sides)
        rows = stills(sides, columns)
        write_sheet(files["sheet"], title, sides, rows, unit, args.point, why, utc_now())
        written = ["sheet"]
        if not args.no_clip:
            with Progress("Clip") as bar:
                write_clip(files["clip"], sides, unit, bar.to)
            write_subtitles(files["subtitles"], sides, unit)
            written += ["clip", "subtitles"]
    document = _document(args, names, chosen, why, rows, {key: str(files[key]) for key in written})
    document["tufts"] = _tufts(args.campaign, flights, args.point, names, unit)
    if args.json:
        print_json(document)
    else:
        _print(document)
    return 0


def _make_quick(campaign_dir: Path, sides) -> None:
    from logger_app.sync.video_io import make_proxy, proxy_path

    files = {
        proxy_path(campaign_dir, side.result.flight, camera.path): camera.path
        for side in sides
        for camera in side.cameras.cameras
    }
    missing = [(proxy, path) for proxy, path in files.items() if not proxy.exists()]
    with Progress("Small copies") as bar:
        for k, (proxy, path) in enumerate(missing):
            make_proxy(path, proxy, lambda share, k=k: bar.to((k + share) / len(missing)))


def _tufts(campaign_dir: Path, flights, point: str, names, unit: str) -> dict:
    """Where and how fast the tufts first separated: each configuration, and the others less the first."""
    from logger_app.domain.tufts import difference_map
    from logger_app.domain.wing_words import difference_words, first_words
    from logger_app.workflows.tufts import marks_of_runs, wing_maps

    maps = wing_maps(marks_of_runs(campaign_dir, flights, point), point, names)
    first = [
        {
            "configuration": name,
            "station": f.station,
            "ias_kt": f.ias_kt,
            "not_separated_down_to_ias_kt": f.clear_kt,
            "proposed": f.proposed,
            "words": first_words(f, unit)[1],
        }
        for name, one in maps.items()
        for f in one.first
    ]
    states = [
        {"configuration": name, "station": row, "ias_kt": speed, "state": str(state)}
        for name, one in maps.items()
        for row, across in zip(one.stations, one.states)
        for speed, state in zip(one.speeds_kt, across)
        if state is not None
    ]
    differences = [
        {
            "reference": names[0],
            "changed": name,
            "station": d.station,
            "difference_kt": d.difference_kt,
            "proposed": d.proposed,
            "words": difference_words(d, maps[names[0]], maps[name], unit)[1],
        }
        for name in names[1:]
        if names[0] in maps and name in maps
        for d in difference_map(maps[names[0]], maps[name])
    ]
    return {"first_separated": first, "states": states, "differences": differences}


def _without_calls(data, point: str):
    """What is needed of every flight: when its runs at the point were."""
    from dataclasses import replace

    from logger_app.records.runs import FlightRuns

    runs = tuple(replace(run, calls=()) for run in data.runs.runs if run.point == point)
    return replace(data, runs=FlightRuns(flight=data.info.id, runs=runs), weights=(), corrections=())


def _in_full(reader, chosen, flights):
    """The chosen runs with their fitted approach, and their flights with their calls."""
    full = {
        result.flight: reader.again(result.flight, {r.run for r in chosen.values() if r.flight == result.flight})
        for result in chosen.values()
    }
    runs = {(run.flight, run.run): run for _, results in full.values() for run in results}
    flights = [full[data.info.id][0] if data.info.id in full else data for data in flights]
    return {name: runs[result.flight, result.run] for name, result in chosen.items()}, flights


def _screen(args, campaign, flights, sides, why: str) -> int:
    from logger_app.ui.screens.compare_app import open_compare
    from logger_app.workflows.compare import CompareDesk
    from logger_app.workflows.review import person

    say(f"Compared: {why}.")
    return open_compare(CompareDesk(args.campaign, campaign, flights, args.point, sides, args.who or person(), why))


def _configurations(campaign, args) -> list[str]:
    from logger_app.errors import SyncError

    if campaign_point(campaign, args.point) is None:
        known = ", ".join(point.id for point in campaign.points)
        raise SyncError(f"--point: got {args.point!r}; expected one of {known}")
    names = (
        [part.strip() for part in args.configs.split(",")] if args.configs else list(next(iter(campaign.pairs()), ()))
    )
    unknown = [name for name in names if campaign.configuration(name) is None]
    if unknown or not 2 <= len(names) <= MAX_SIDES or len(set(names)) < len(names):
        known = ", ".join(c.id for c in campaign.configurations)
        raise SyncError(f"--configs: got {', '.join(names) or 'none'}; expected two to four different ones of {known}")
    return names


def campaign_point(campaign, point_id: str):
    """The test point with this id, or None."""
    return next((point for point in campaign.points if point.id == point_id), None)


def _point_label(campaign, point_id: str) -> str:
    return campaign_point(campaign, point_id).label


def _refuse_existing(files: dict, args) -> None:
    from logger_app.errors import SyncError

    there = [str(path) for path in files.values() if path.exists()]
    if there and not args.force:
        raise SyncError(f"{', '.join(there)}: is there already; give another folder with -o, or --force to replace")


def _need_runs(runs, name: str, args, cameras) -> None:
    from logger_app.errors import SyncError

    if not runs:
        raise SyncError(
            f"configuration {name} has no run at point {args.point}; expected at least one reduced run (see `kneecall reduce`)"
        )
    if not any(cameras[r.flight].cameras for r in runs):
        missing = [str(camera.path) for r in runs for camera in cameras[r.flight].missing]
        lost = (
            f"the camera file {missing[0]} is not there any more"
            if missing
            else f"no camera is on the clock of {_few(sorted({r.flight for r in runs}))}"
        )
        raise SyncError(f"configuration {name}: {lost}; expected a camera linked with `kneecall sync`")


def _few(names) -> str:
    """The first dozen of many names."""
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def _seen(result, cameras, camera: str | None) -> bool:
    return result.event_flight_s is not None and cameras.showing(result.event_flight_s, camera) is not None


def _wanted(args, names) -> dict[str, str]:
    from logger_app.errors import SyncError

    wanted = dict(part.partition("=")[::2] for part in args.chosen)
    if unknown := set(wanted) - set(names):
        raise SyncError(
            f"--run: got {', '.join(sorted(unknown))}; expected CONFIG=RUN with CONFIG one of {', '.join(names)}"
        )
    return wanted


def _side(campaign, name: str, result, cameras, camera):
    from logger_app.domain.cameras import picture_lag_s
    from logger_app.sync.sheet_io import Side

    return Side(
        configuration=name,
        name=campaign.configuration(name).name,
        result=result,
        cameras=cameras[result.flight],
        camera=camera,
        lag_s=picture_lag_s(result, campaign.indicator.reading_lag_s),
    )


def _document(args, names, chosen, why: str, rows, files: dict) -> dict:
    return {
        "point": args.point,
        "configurations": names,
        "runs": {
            name: {"run": chosen[name].run, "flight": chosen[name].flight, "number": chosen[name].run_number}
            for name in names
        },
        "why": why,
        "stills": [
            {
                "configuration": still.configuration,
                "at": still.moment,
                "flight_s": still.flight_s,
                "ias_kt": still.ias_kt,
                "file": still.file or None,
                "video_s": still.video_s,
                "why": still.why,
            }
            for row in rows
            for still in row
        ],
        "files": files,
    }


def _print(document: dict) -> None:
    from logger_app.domain.tufts import place_words

    print(f"Compared: {document['why']}.")
    for still in document["stills"]:
        if still["why"]:
            say(f"{still['configuration']} at {still['at']}: no picture: {still['why']}")
    for one in document["tufts"]["first_separated"]:
        print(f"{one['configuration']}, {place_words(one['station'])}: {one['words']}")
    for one in document["tufts"]["differences"]:
        print(f"{one['changed']} against {one['reference']}, {place_words(one['station'])}: {one['words']}")
    for what, file in document["files"].items():
        print(f"{what}: {file}")
