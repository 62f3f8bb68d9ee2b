"""`kneecall reduce CAMPAIGN`: stall speeds, cells and comparisons; writes results/reduction.json."""

from __future__ import annotations

from logger_app.cli.common import Progress, say

SUMMARY = """Stall speed, entry rate and uncertainty of every run; averages and comparisons of the campaign.
Prints a table and writes CAMPAIGN/results/reduction.json. Changes nothing else."""
EXAMPLE = "kneecall reduce sparrow --json"


def add_arguments(parser) -> None:
    parser.add_argument("campaign", metavar="CAMPAIGN", help="campaign folder")
    parser.add_argument(
        "--trace",
        metavar="FLIGHT=FILE",
        action="append",
        default=[],
        help="join a CSV, GPX or NMEA trace to a flight (also found in flights/FLIGHT/traces/)",
    )
    parser.add_argument(
        "--columns",
        metavar="TEXT",
        help='columns of a recorder\'s CSV, kept in the campaign: "time=Lcl Time,ias=Indicated Airspeed (mph)"',
    )
    parser.add_argument(
        "--basis",
        choices=("raw", "sqrt_cos", "measured_nz"),
        help="load-factor basis (default: the best that all runs have)",
    )
    parser.add_argument("--to-cg-mm", type=float, help="correct for CG to first order; needs --tail-arm-mm")
    parser.add_argument("--tail-arm-mm", type=float, help="CG to the tail's quarter chord")
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of tables")
    parser.add_argument("--no-write", action="store_true", help="print only; leave results/ alone")


def run(args) -> int:
    import sys

    from logger_app.workflows.campaign import guessed_columns, keep_columns
    from logger_app.workflows.reduction import plain_text, reduce_to_results

    if args.columns:
        say(f"written: {keep_columns(args.campaign, args.columns)}")
    elif sys.stdin.isatty() and (guess := guessed_columns(args.campaign, args.trace)):
        say(f'The recorder\'s columns have other names. Read them as "{guess}"? [y/N] ')
        if sys.stdin.readline().strip().lower() in ("y", "yes"):
            say(f"written: {keep_columns(args.campaign, guess)}")
    with Progress("Flights") as progress:
        campaign, reduction = reduce_to_results(
            args.campaign,
            args.trace,
            basis=args.basis,
            to_cg_mm=args.to_cg_mm,
            tail_arm_mm=args.tail_arm_mm,
            write=not args.no_write,
            json_to=sys.stdout if args.json else None,
            progress=progress.to,
            say=say,
        )
    if not args.json:
        print(plain_text(campaign, reduction))
    return 0
