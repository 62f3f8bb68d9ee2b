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

    from logger_app.errors import ReduceError
    from logger_app.reduce.campaign import Options
    from logger_app.reduce.results_io import ResultsDocument
    from logger_app.reduce.tables import plain_text
    from logger_app.workflows.campaign import FlightByFlight, guessed_columns, keep_columns

    if args.columns:
        say(f"written: {keep_columns(args.campaign, args.columns)}")
    elif sys.stdin.isatty() and (guess := guessed_columns(args.campaign, args.trace)):
        say(f'The recorder\'s columns have other names. Read them as "{guess}"? [y/N] ')
        if sys.stdin.readline().strip().lower() in ("y", "yes"):
            say(f"written: {keep_columns(args.campaign, guess)}")
    options = Options(basis=args.basis, to_cg_mm=args.to_cg_mm, tail_arm_mm=args.tail_arm_mm)
    reader = FlightByFlight(args.campaign, args.trace, options)
    with ResultsDocument(reader.campaign_dir, write=not args.no_write) as document:
        with Progress("Flights") as progress:
            for k, (_, runs) in enumerate(reader, 1):
                if args.json or not args.no_write:
                    document.add(runs)
                progress.to(k / len(reader))
        reduction = reader.reduction()
        if not reduction.runs:
            raise ReduceError(faults=(_nothing(reader),))
        for step in reduction.provenance.steps:
            say(step)
        where = document.finish(reduction)
        if where:
            say(f"written: {where}")
        if args.json:
            document.copy_to(sys.stdout)
    if not args.json:
        print(plain_text(reader.campaign, reduction))
    return 0


def _nothing(reader):
    from logger_app.errors import Fault

    got = f"{len(reader)} flight(s) with no run in them" if len(reader) else "no flight"
    hint = "Put a recording into it: kneecall hear FILE --campaign CAMPAIGN --into FLIGHT."
    return Fault(
        where=f"{reader.campaign_dir / 'flights'}", got=got, expected="a flight with calls of an approach", hint=hint
    )
