"""`kneecall report`: the page, the tables and the subtitles of a campaign; or one clip with the calls written in."""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import print_json, say

SUMMARY = "Write the report of a campaign: one page, its tables, subtitles for each camera."
EXAMPLE = "kneecall report sparrow -o sparrow-report --pdf"


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("campaign", type=Path, metavar="CAMPAIGN", help="campaign folder")
    parser.add_argument("-o", "--output", type=Path, metavar="DIR",
                        help="folder of the report (default: CAMPAIGN/results/report); an older report there is replaced")  # fmt: skip
    parser.add_argument("--pdf", action="store_true", help="write report.pdf too")
    parser.add_argument("--open", action="store_true", help="open the page when it is made")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Load, reduce, write; see the module's docstring."""
    from logger_app import flow
    from logger_app.report.report_io import write_report

    campaign, flights, reduction = flow.reduce_all(args.campaign)
    out = args.output or args.campaign / "results" / "report"
    page = write_report(
        out, campaign, flights, reduction, sound_of=flow.sound_finder(args.campaign), pdf=args.pdf
    )
    if args.open:
        _open(page)
    if args.json:
        print_json({"report": str(page), "bytes": page.stat().st_size})
    else:
        print(page)
    return 0


def _open(page: Path) -> None:
    import webbrowser

    if not webbrowser.open(page.resolve().as_uri()):
        say(f"No browser could be started; open {page}")
