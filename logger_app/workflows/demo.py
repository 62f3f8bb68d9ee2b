"""The invented campaigns that ship with the program, run from end to end and held against the truth they were made from.

Main names: `run_demo` (sound, real recogniser), `run_history` (five generations, calls as transcripts).
"""

from __future__ import annotations

import csv
import json
import shutil
import statistics
from collections.abc import Callable
from pathlib import Path

from logger_app.domain.approach_curve import curve_of
from logger_app.domain.tuft_grid import mark_to_body
from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.errors import CardError, Fault
from logger_app.io.resources import data_dir
from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.results import Reduction
from logger_app.records.runs import FlightData
from logger_app.units import s_to_ns
from logger_app.workflows.campaign import all_calls, reduce_all
from logger_app.workflows.hearing import hear_into
from logger_app.workflows.report import Stage, silent, write_report

NAME, HISTORY = "sparrow_cuffs", "heron_fences"
# A heard call is the same as a true one when the words begin within this of each other [s].
SAME_CALL_S = 0.7
MARKED_UTC = "2031-09-04T18:00:00Z"


def run_demo(output: Path, *, force: bool = False, stage: Stage = silent, warn: Callable[[str], None] = print) -> dict:
    """Hear, reduce and report the demo campaign; the scores against its truth.

    Parameters
    ----------
    output : Path
        Gets ``campaign`` and ``report``.

    Raises
    ------
    CardError
        There is an earlier demo in that folder, and `force` was not given.
    """
    source, truth, campaign_dir, report_dir = _start(NAME, output, force)
    for flight in truth["flights"]:
        _hear(source / "inputs" / f"{flight['flight']}.opus", campaign_dir, flight, stage)
    _, flights, reduction = reduce_all(campaign_dir)
    page = write_report(campaign_dir, report_dir, stage=stage, warn=warn)
    return {
        "calls": _score_calls(truth, flights),
        "stall_speeds": _stall_speeds(truth, reduction),
        "differences": _differences(truth, reduction),
        "report": str(page),
    }


def run_history(
    output: Path, *, force: bool = False, stage: Stage = silent, warn: Callable[[str], None] = print
) -> dict:
    """Read, reduce and report the demo of a design's history.

    Returns
    -------
    dict
        ``one_sided`` (configuration, control side, how often it dropped first, the truth), ``stall_speeds`` and ``report``.
    """
    source, truth, campaign_dir, report_dir = _start(HISTORY, output, force)
    for flight in truth["flights"]:
        _hear(source / "inputs" / "transcripts" / f"{flight['flight']}.csv", campaign_dir, flight, stage)
    _, flights, reduction = reduce_all(campaign_dir)
    for data in flights:
        _mark(
            source / "inputs" / "marks" / f"{data.info.id}.csv",
            campaign_dir / "flights" / data.info.id,
            data,
            reduction,
        )
    page = write_report(campaign_dir, report_dir, stage=stage, warn=warn)
    return {
        "one_sided": _one_sided(truth, reduction),
        "stall_speeds": _history_speeds(truth, reduction),
        "report": str(page),
    }


def _start(name: str, output: Path, force: bool) -> tuple[Path, dict, Path, Path]:
    source = data_dir("demo_sessions") / name
    truth = json.loads((source / "expected" / "truth.json").read_text("utf-8"))
    return source, truth, *_fresh(output, source, force)


def _hear(file: Path, campaign_dir: Path, flight: dict, stage: Stage) -> None:
    with stage(f"Hearing {flight['flight']}") as bar:
        hear_into(
            [file], campaign_dir / "flights" / flight["flight"], configuration=flight["configuration"], progress=bar.to
        )


def _mark(file: Path, flight_dir: Path, data: FlightData, reduction: Reduction) -> None:
    """Put the tuft states that a person marked at ratios to the stall into a flight's journal."""
    results = {run.run: run for run in reduction.runs if run.flight == data.info.id}
    runs = {run.number: run for run in data.runs.runs}
    rows = []
    with file.open(newline="", encoding="utf-8") as lines:
        for mark in csv.DictReader(lines):
            run = runs.get(int(mark["run"]))
            result = results.get(run.id) if run else None
            if run is None or result is None or result.vs_ias_kt is None:
                continue
            ias_kt = float(mark["ratio"]) * result.vs_ias_kt
            at_s = curve_of(result).time_at_s(ias_kt)
            if at_s is None:
                continue
            state = TuftMark(
                flight_ns=s_to_ns(at_s),
                camera=f"{mark['wing']} wing tip",
                frame_pts=round(at_s * 30),
                station=mark["station"],
                state=TuftState(mark["state"]),
                ias_kt=round(ias_kt, 2),
                to_stall_s=round(at_s - (result.event_flight_s or at_s), 3),
                who="demo",
                run=run.id,
                wing=mark["wing"],
            )
            rows.append((state.flight_ns, mark_to_body(state)))
    with Journal.open(flight_dir) as journal:
        journal.append(
            [
                JournalRow(id=f"tuft-demo-{k}", flight_ns=at, utc=MARKED_UTC, kind=RowKind.TUFT, body=body)
                for k, (at, body) in enumerate(rows)
            ]
        )


def _one_sided(truth: dict, reduction: Reduction) -> list[dict]:
    rows = []
    for found in reduction.one_sided:
        drops = [
            run["drop"]
            for flight in truth["flights"]
            if flight["configuration"] == found.configuration
            for run in flight["runs"]
        ]
        rows.append(
            {
                "configuration": found.configuration,
                "control_side": found.control_side,
                "control_first": found.control_first,
                "truth_control_first": drops.count(found.control_side),
                "words": found.words,
            }
        )
    return rows


def _history_speeds(truth: dict, reduction: Reduction) -> list[dict]:
    rows = []
    for configuration, points in truth["stall_ias_kt"].items():
        for point in points:
            true = [
                run["stall_ias_kt"]
                for flight in truth["flights"]
                if flight["configuration"] == configuration
                for run in flight["runs"]
                if run["point"] == point
            ]
            speeds = [
                run.vs_ias_kt
                for run in reduction.runs
                if run.counts and run.vs_ias_kt is not None and (run.point, run.configuration) == (point, configuration)
            ]
            rows.append(
                {
                    "point": point,
                    "configuration": configuration,
                    "vs_ias_kt": round(statistics.fmean(speeds), 2) if speeds else None,
                    "truth_ias_kt": round(statistics.fmean(true), 2),
                    "n": len(speeds),
                }
            )
    return rows


def _fresh(output: Path, source: Path, force: bool) -> tuple[Path, Path]:
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


def _score_calls(truth: dict, flights) -> dict:
    """Airspeed calls: right, wrong, missed, and invented where none was spoken."""
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
