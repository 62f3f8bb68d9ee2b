"""`kneecall compare`: the wing of two (or more) configurations at the same airspeeds and at the stall."""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import Progress, print_json, say
from logger_app.domain.moments import USUAL

SUMMARY = """Stills of the wing at chosen speeds and at the stall, one row a configuration; a side-by-side clip
aligned on the stall, with titles, airspeeds and called events written in, which plays anywhere; subtitles; where tufts were marked, the speed at which each station first separated.
Cameras must be on the flight clock (`kneecall sync`). Without -o the report shows the stills as well."""
EXAMPLE = """kneecall compare sparrow --point A2 --configs baseline,cuffs --at 1.2,1.1,stall
         kneecall compare sparrow --point A2 --configs baseline,cuffs --at 52kt,48kt,stall -o out
         kneecall compare sparrow --point A2 --configs baseline,cuffs --screen --quick
         kneecall compare sparrow --point A2 --configs cuffs:left,cuffs:right --screen
         kneecall compare sparrow --point A2 --run cuffs=day2_cuffs:4 -o out
         kneecall compare heron --point A1 --line -o out"""


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("campaign", metavar="CAMPAIGN", type=Path, help="campaign folder")
    parser.add_argument("--point", required=True, metavar="ID", help="test point")
    parser.add_argument(
        "--configs",
        metavar="A,B",
        help="two to four sides: configurations, each with :left, :right or :CAMERA where one wing or camera is meant "
        "(default: the first comparison of the campaign)",
    )
    parser.add_argument(
        "--at", default=USUAL, metavar="LIST", help=f"stall, ratios to the stall speed, airspeeds (default: {USUAL})"
    )
    parser.add_argument(
        "--run",
        dest="chosen",
        metavar="CONFIG=RUN",
        action="append",
        default=[],
        help="use this run: its id, or FLIGHT:NUMBER",
    )
    parser.add_argument(
        "--camera",
        metavar="NAME",
        help="camera, or wing, for sides that name none (default: the first that was running)",
    )
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
        help="open the comparison in a window: one slider for all cameras, tuft stations, stills to save",
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
        help="first make small copies of the camera files, for a quick slider and quick report pictures; takes minutes, once",
    )
    parser.add_argument(
        "--line",
        action="store_true",
        help="the contact sheet of all generations instead: what was fitted, and both wings at those speeds, as PNG and PDF",
    )
    parser.add_argument(
        "--mirror",
        action="store_true",
        help="turn pictures of the left wing about, so that both wings lie alike (not in the window)",
    )
    parser.add_argument("--no-clip", action="store_true", help="stills only")
    parser.add_argument(
        "--2x", dest="double", action="store_true", help="stills at twice the size, for print and large screens"
    )
    parser.add_argument("--force", action="store_true", help="replace files of an earlier comparison")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Choose the runs, take the pictures, write sheet, clip and subtitles; or open the screen."""
    from logger_app.workflows.campaign import load_campaign
    from logger_app.workflows.compare_runs import files_of, open_comparison, parts_of, write_comparison

    if args.line:
        return _line(args)
    files = {}
    if not args.screen:
        parts = parts_of(load_campaign(args.campaign), args.point, args.configs, args.camera)
        files = files_of(args.campaign, args.output, args.point, parts, args.force)
    with (
        Progress("Flights") as bar,
        open_comparison(args.campaign, args.point, args.configs, args.camera, args.chosen, bar.to) as one,
    ):
        if args.quick:
            _make_quick(one)
        if args.screen:
            return _screen(args, one)
        with Progress("Clip") as clip_bar:
            document = write_comparison(
                one, files, args.at, not args.no_clip, clip_bar.to, 2 if args.double else 1, args.mirror
            )
    if args.json:
        print_json(document)
    else:
        _print(document)
    return 0


def _line(args) -> int:
    from logger_app.workflows.line_sheet import compare_line

    with Progress("Flights") as bar:
        document = compare_line(
            args.campaign, args.output, args.point, args.at, args.mirror, args.force, 2 if args.double else 1, bar.to
        )
    if args.json:
        print_json(document)
        return 0
    for row in document["generations"]:
        print(f"{row['number']}. {row['configuration']}: {row['run'] or row['why']}")
        for shot in row["pictures"]:
            if shot["why"]:
                say(f"{row['configuration']}, {shot['view'] or 'camera'}, {shot['at']}: no picture: {shot['why']}")
    for what, file in document["files"].items():
        print(f"{what}: {file}")
    return 0


def _make_quick(one) -> None:
    from logger_app.workflows.compare import make_small_copies

    with Progress("Small copies") as bar:
        make_small_copies(one.campaign_dir, one.sides, bar.to)


def _screen(args, one) -> int:
    from logger_app.ui.screens.compare_app import open_compare
    from logger_app.workflows.compare import WingComparison
    from logger_app.workflows.review import person

    say(f"Compared: {one.why}.")
    who = args.who or person()
    return open_compare(
        WingComparison(one.campaign_dir, one.campaign, one.flights, one.point, one.sides, who, one.why, one)
    )


def _print(document: dict) -> None:
    from logger_app.domain.tufts import place_words

    print(f"Compared: {document['why']}.")
    for still in document["stills"]:
        if still["why"]:
            say(f"{still['configuration']} at {still['at']}: no picture: {still['why']}")
    for one in document["tufts"]["first_separated"]:
        print(f"{one['configuration']}, {one['view']}, {place_words(one['station'])}: {one['words']}")
    for one in document["tufts"]["differences"]:
        print(
            f"{one['changed']} against {one['reference']}, {one['view']}, {place_words(one['station'])}: {one['words']}"
        )
    for what, file in document["files"].items():
        print(f"{what}: {file}")
