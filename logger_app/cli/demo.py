"""`kneecall demo`: the whole path on the campaigns that ship with the program.

The sound is recognised here and now with the real engine; nothing is looked up. What comes out is
then held against the truth that the demo was made from.
"""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = "Hear, reduce and report the invented campaign that ships with the program."
EXAMPLE = "kneecall demo -o demo-out"


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        default=Path("demo-out"),
        metavar="DIR",
        help="where to put the campaign and the report (default: demo-out)",
    )
    parser.add_argument(
        "--history", action="store_true", help="the campaign of five generations of a design, from transcripts"
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier demo in that folder")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Run the demo; see the module's docstring."""
    from logger_app.workflows.demo import run_demo, run_history

    made = (run_history if args.history else run_demo)(args.output, force=args.force, stage=Progress, warn=say)
    if args.json:
        print_json(made)
    elif args.history:
        _print_history(made, args.output / "campaign")
    else:
        _print(made, args.output / "campaign")
    return 0


def _print_history(result: dict, campaign_dir: Path) -> None:
    _print_stalls(result, "flown")
    print("\nWhich stations let go first, by what was marked on the drawn films")
    for row in result["let_go"]:
        print(f"  {row['configuration']:18} {row['wing']:6} {row['words']}")
    for row in result["one_sided"]:
        print(f"\n{row['configuration']}: {row['words']}.")
    print(f"\nCampaign: {campaign_dir}\nReport:   {result['report']}")


def _print(result: dict, campaign_dir: Path) -> None:
    calls = result["calls"]
    print(
        f"Airspeed calls: {calls['right']} of {calls['expected']} heard right, {calls['wrong']} wrong, "
        f"{calls['missed']} missed, {calls['invented']} invented."
    )
    print()
    _print_stalls(result, "heard")
    print("\nDifference, calibrated, at the reference weight (negative: lower stall)")
    for row in result["differences"]:
        if row["difference_kt"] is None:
            print(f"  {row['point']:4} {row['words']}")
        else:
            print(
                f"  {row['point']:4} {row['difference_kt']:+5.1f} kt, 95 % {row['low_kt']:+.1f} to {row['high_kt']:+.1f}"
                f"   truth {row['truth_kt']:+.1f}   {row['verdict']}"
            )
    print(f"\nThe campaign: {campaign_dir}\nThe report:   {result['report']}")
    print("Invented data. A recorder's figures: never a substitute for the flight manual or a qualified person.")


def _print_stalls(result: dict, found: str) -> None:
    print(f"Stall speed, indicated      {found}   truth   n")
    for row in result["stall_speeds"]:
        vs = "   -" if row["vs_ias_kt"] is None else f"{row['vs_ias_kt']:4.1f}"
        print(f"  {row['point']:4} {row['configuration']:18} {vs} kt {row['truth_ias_kt']:4.1f} kt {row['n']:3}")
