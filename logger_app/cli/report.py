"""`kneecall report`: the page, the tables and the subtitles of a campaign; or one clip with the calls written in."""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import Progress, print_json, say
from logger_app.domain.moments import USUAL

SUMMARY = "Write the report of a campaign: one page, its tables, subtitles for each camera; or a clip of one run."
EXAMPLE = "kneecall report sparrow -o sparrow-report --pdf"


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
    parser.add_argument(
        "--png",
        action="store_true",
        help="every figure in the folder as a picture at twice the page's size too, beside its SVG file",
    )
    parser.add_argument(
        "--screen",
        action="store_true",
        help="instead of a report: the line of the design in a window, generation by generation; the team's notes "
        "and questions can be written there",
    )
    parser.add_argument("--open", action="store_true", help="open the page when it is made")
    parser.add_argument(
        "--at",
        metavar="SPEEDS",
        default=USUAL,
        help=f"columns of the contact sheets: stall, ratios to the stall speed, airspeeds (default: {USUAL}; or 55kt,stall)",
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
    parser.add_argument(
        "--package",
        type=Path,
        metavar="FILE.zip",
        help="instead of a folder: page, PDF, tables, figures, pictures, campaign file and checksums in one file, "
        "the same to the byte from the same campaign; check it with kneecall store verify FILE.zip",
    )
    parser.add_argument(
        "--with-sound", action="store_true", help="with --package: the voices of the crew too (default: no sound)"
    )
    parser.add_argument("--force", action="store_true", help="with --package: replace an older file")
    parser.add_argument("--camera", metavar="NAME", help="which camera the clip is of (with --clip)")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Write the report or the clip; see the module's docstring."""
    from logger_app.workflows.report import make_clip, write_report

    if args.screen:
        return _screen(args.campaign)
    out = args.output or args.campaign / "results" / "report"
    result: dict[str, object]
    if args.clip:
        clip = make_clip(args.campaign, out, args.clip, args.camera, Progress)
        made = clip.path
        result = {"clip": str(made), "run": clip.run, "flight": clip.flight, "camera": clip.camera}
    elif args.package:
        from logger_app.workflows.package import write_package

        made = write_package(
            args.campaign, args.package, with_sound=args.with_sound, force=args.force, stage=Progress, warn=say
        )
        result = {"package": str(made), "bytes": made.stat().st_size}
    else:
        made = write_report(
            args.campaign,
            out,
            asked=tuple(part.strip() for part in args.runs.split(",") if part.strip()),
            pdf=args.pdf,
            png=args.png,
            at=args.at,
            every_picture=args.every_picture,
            stage=Progress,
            warn=say,
        )
        pdf = str(out / "report.pdf") if args.pdf else None
        result = {"report": str(made), "bytes": made.stat().st_size, "pdf": pdf}
    if args.open:
        _open(made)
    if args.json:
        print_json(result)
    else:
        print(made)
    return 0


def _screen(campaign: Path) -> int:
    from logger_app.ui.screens.history_app import open_history
    from logger_app.workflows.history import load_history

    with Progress("Flights") as bar:
        history = load_history(campaign, bar.to)
    return open_history(history)


def _open(page: Path) -> None:
    import webbrowser

    if not webbrowser.open(page.resolve().as_uri()):
        say(f"No browser could be started; open {page}")
