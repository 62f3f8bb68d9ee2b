"""`kneecall reduce CAMPAIGN`: stall speeds, cells and comparisons; writes results/reduction.json."""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import print_json, say

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
        "--basis", choices=("raw", "sqrt_cos", "measured_nz"), help="load-factor basis (default: the best that all runs have)"
    )
    parser.add_argument("--to-cg-mm", type=float, help="correct for CG to first order; needs --tail-arm-mm")
    parser.add_argument("--tail-arm-mm", type=float, help="CG to the tail's quarter chord")
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of tables")
    parser.add_argument("--no-write", action="store_true", help="print only; leave results/ alone")


def run(args) -> int:
    from logger_app.errors import ReduceError
    from logger_app.flow import load_campaign_data
    from logger_app.reduce.as_json import reduction_to_json
    from logger_app.reduce.campaign import Options, reduce_campaign
    from logger_app.reduce.join_io import join_traces
    from logger_app.reduce.results_io import write_results
    from logger_app.reduce.tables import plain_text

    folder = Path(args.campaign)
    campaign, flights = load_campaign_data(folder)
    folder = folder if folder.is_dir() else folder.parent
    if not any(flight.runs.runs for flight in flights):
        raise ReduceError(faults=(_nothing(folder, flights),))
    at_event, steps = join_traces(folder, flights, campaign.indicator, args.trace)
    for step in steps:
        say(step)
    options = Options(
        basis=args.basis, to_cg_mm=args.to_cg_mm, tail_arm_mm=args.tail_arm_mm, at_event=at_event, steps=tuple(steps)
    )
    reduction = reduce_campaign(campaign, flights, options)
    if not args.no_write:
        where = write_results(folder, reduction)
        say(f"written: {where}")
    if args.json:
        print_json(reduction_to_json(reduction))
    else:
        print(plain_text(campaign, reduction))
    return 0


def _nothing(folder: Path, flights):
    from logger_app.errors import Fault

    got = f"{len(flights)} flight(s) with no run in them" if flights else "no flight"
    hint = "Put a recording into it: kneecall hear FILE --campaign CAMPAIGN --into FLIGHT."
    return Fault(where=f"{folder / 'flights'}", got=got, expected="a flight with calls of an approach", hint=hint)
