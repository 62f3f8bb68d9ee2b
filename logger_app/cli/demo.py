"""`kneecall demo`: the whole path on the campaign that ships with the program.

The sound is recognised here and now with the real engine; nothing is looked up. What comes out is
then held against the truth that the demo was made from.
"""

from __future__ import annotations

import json
import shutil
import statistics
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = "Hear, reduce and report the invented campaign that ships with the program."
EXAMPLE = "kneecall demo -o demo-out"
NAME = "sparrow_cuffs"
# A heard call is the same as a true one when the words begin within this of each other [s].
SAME_CALL_S = 0.7


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
    parser.add_argument("--force", action="store_true", help="replace an earlier demo in that folder")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args) -> int:
    """Run the demo; see the module's docstring."""
    from logger_app.io.resources import data_dir
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.report import write_report

    source = data_dir("demo_sessions") / NAME
    truth = json.loads((source / "expected" / "truth.json").read_text("utf-8"))
    campaign_dir, report_dir = _fresh(args.output, source, args.force)
    for flight in truth["flights"]:
        _hear(source / "inputs" / f"{flight['flight']}.opus", campaign_dir / "flights" / flight["flight"])
    _, flights, reduction = flow.reduce_all(campaign_dir)
    say("Writing the report")
    page = write_report(campaign_dir, report_dir, stage=Progress, warn=say)
    result = {
        "calls": _score_calls(truth, flights),
        "stall_speeds": _stall_speeds(truth, reduction),
        "differences": _differences(truth, reduction),
        "report": str(page),
    }
    if args.json:
        print_json(result)
    else:
        _print(result, campaign_dir)
    return 0


def _fresh(output: Path, source: Path, force: bool) -> tuple[Path, Path]:
    from logger_app.errors import CardError, Fault

    campaign_dir, report_dir = output / "campaign", output / "report"
    if (campaign_dir.exists() or report_dir.exists()) and not force:
        raise CardError(
            faults=(
                Fault(
                    where=str(output),
                    got="a folder with an earlier demo in it",
                    expected="a new or empty folder",
                    hint="Give another one with -o, or --force to replace it.",
                ),
            )
        )
    for folder in (campaign_dir, report_dir):
        if folder.exists():
            shutil.rmtree(folder)
    (campaign_dir / "flights").mkdir(parents=True)
    shutil.copyfile(source / "inputs" / "campaign.toml", campaign_dir / "campaign.toml")
    return campaign_dir, report_dir


def _hear(sound: Path, flight_dir: Path) -> None:
    from logger_app.workflows.hearing import hear_into

    with Progress(f"Hearing {flight_dir.name}") as progress:
        hear_into([sound], flight_dir, progress=progress.to)


def _score_calls(truth: dict, flights) -> dict:
    """Airspeed calls: right, wrong, missed, and invented where none was spoken."""
    from logger_app.workflows.campaign import all_calls

    score = dict.fromkeys(("expected", "right", "wrong", "missed", "invented"), 0)
    by_id = {data.info.id: data for data in flights}
    for flight in truth["flights"]:
        heard = [c for c in all_calls(by_id[flight["flight"]]) if c.kind == "airspeed"]
        for told in (c for c in flight["calls"] if c["kind"] == "airspeed"):
            score["expected"] += 1
            near = [c for c in heard if abs(c.flight_s - told["start_s"]) <= SAME_CALL_S]
            if not near:
                score["missed"] += 1
                continue
            call = min(near, key=lambda c: abs(c.flight_s - told["start_s"]))
            heard.remove(call)
            score["right" if call.value == told["value"] else "wrong"] += 1
        score["invented"] += len(heard)
    return score


def _stall_speeds(truth: dict, reduction) -> list[dict]:
    rows = []
    for flight in truth["flights"]:
        for point in truth["stall_cas_ref_kt"][flight["configuration"]]:
            true = [r["vs_ias_kt"] for r in flight["runs"] if r["point"] == point and not r["discarded"]]
            cells = [c for c in reduction.cells if (c.point, c.configuration) == (point, flight["configuration"])]
            cell = max(cells, key=lambda c: c.n, default=None)
            rows.append(
                {
                    "point": point,
                    "configuration": flight["configuration"],
                    "vs_ias_kt": cell and cell.vs_ias_kt,
                    "truth_ias_kt": round(statistics.fmean(true), 2),
                    "u_kt": cell and cell.vs_ias_u_kt,
                    "n": cell.n if cell else 0,
                }
            )
    return rows


def _differences(truth: dict, reduction) -> list[dict]:
    rows = []
    for found in reduction.comparisons:
        cas = truth["stall_cas_ref_kt"]
        rows.append(
            {
                "point": found.point,
                "reference": found.reference,
                "changed": found.changed,
                "difference_kt": found.difference_kt,
                "truth_kt": round(cas[found.changed][found.point] - cas[found.reference][found.point], 2),
                "low_kt": found.low_kt,
                "high_kt": found.high_kt,
                "verdict": found.verdict,
                "words": found.words,
            }
        )
    return rows


def _print(result: dict, campaign_dir: Path) -> None:
    calls = result["calls"]
    print(
        f"Airspeed calls: {calls['right']} of {calls['expected']} heard right, {calls['wrong']} wrong, "
        f"{calls['missed']} missed, {calls['invented']} invented."
    )
    print("\nStall speed, indicated      heard   truth   n")
    for row in result["stall_speeds"]:
        heard = "   -" if row["vs_ias_kt"] is None else f"{row['vs_ias_kt']:4.1f}"
        print(f"  {row['point']:4} {row['configuration']:18} {heard} kt {row['truth_ias_kt']:4.1f} kt {row['n']:3}")
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
