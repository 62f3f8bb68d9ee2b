"""The invented campaigns that ship with the program, run from end to end and held against the truth they were made from.

Main names: `run_demo` (sound, real recogniser), `run_history` (five generations, calls as transcripts, drawn films).
"""

from __future__ import annotations

import json
import shutil
import statistics
from collections.abc import Callable, Sequence
from pathlib import Path

from logger_app.domain.cameras import WINGS
from logger_app.domain.station_ratios import StationRatio
from logger_app.errors import CardError, Fault
from logger_app.io.resources import data_dir
from logger_app.records.results import Reduction
from logger_app.report.report_io import PAGE
from logger_app.report.view import CallView
from logger_app.workflows.campaign import FlightByFlight
from logger_app.workflows.demo_films import film_campaign, mark_films
from logger_app.workflows.hearing import hear_into
from logger_app.workflows.report import Stage, add_report, silent

NAME, HISTORY = "sparrow_cuffs", "heron_fences"
# A heard call is the same as a true one when the words begin within this of each other [s].
SAME_CALL_S = 0.7


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
    page = add_report(campaign_dir, report_dir, stage=stage, warn=warn)
    return {
        "calls": _score_calls(truth, page.calls),
        "stall_speeds": _stall_speeds(truth, page.reduction),
        "differences": _differences(truth, page.reduction),
        "report": str(report_dir / PAGE),
    }


def run_history(
    output: Path, *, force: bool = False, stage: Stage = silent, warn: Callable[[str], None] = print
) -> dict:
    """Read, film, reduce and report the demo of a design's history.

    Returns
    -------
    dict
        ``one_sided`` (configuration, control side, how often it dropped first, the truth), ``stall_speeds``, ``let_go``
        (which stations of each wing were seen to separate first, and the truth) and ``report``.
    """
    source, truth, campaign_dir, report_dir = _start(HISTORY, output, force)
    for flight in truth["flights"]:
        _hear(source / "inputs" / "transcripts" / f"{flight['flight']}.csv", campaign_dir, flight, stage)
    films = film_campaign(truth, campaign_dir, stage)
    reader = FlightByFlight(campaign_dir)
    for data, results in reader:
        mark_films(
            [film for film in films if film.flight == data.info.id],
            campaign_dir / "flights" / data.info.id,
            data,
            results,
            reader.campaign.indicator.reading_lag_s,
        )
    page = add_report(campaign_dir, report_dir, stage=stage, warn=warn)
    return {
        "one_sided": _one_sided(truth, page.reduction),
        "stall_speeds": _history_speeds(truth, page.reduction),
        "let_go": _let_go(truth, page.stations),
        "films": len(films),
        "report": str(report_dir / PAGE),
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


def _let_go(truth: dict, stations: Sequence[StationRatio]) -> list[dict]:
    """Of each generation and wing: which stations were seen to separate first, and which truly did, by the means of the runs."""
    rows = []
    for configuration in truth["stall_ias_kt"]:
        filmed = [
            run["first_ratio"]
            for flight in truth["flights"]
            if flight["configuration"] == configuration and flight["filmed"]
            for run in flight["runs"]
        ]
        for wing in WINGS:
            true = {name: statistics.fmean(run[wing][name] for run in filmed) for name in filmed[0][wing]}
            first = max(true, key=lambda name: true[name])
            mine = [s for s in stations if (s.configuration, s.wing) == (configuration, wing) and s.ratio is not None]
            most = max((s.first_in for s in mine), default=0)
            seen = [s for s in mine if s.first_in == most]
            looked = next((s for s in mine if s.station == first), None)
            rows.append(
                {
                    "configuration": configuration,
                    "wing": wing,
                    "seen_first": [s.station for s in seen],
                    "truth_first": first,
                    "truth_ratio": round(true[first], 3),
                    "low_ratio": looked and round(looked.low_ratio or 0.0, 3),
                    "high_ratio": looked and round(looked.high_ratio or 0.0, 3),
                    "words": _let_go_words([s.station for s in seen], first, true[first], looked),
                }
            )
    return rows


def _let_go_words(seen: Sequence[str], first: str, ratio: float, looked: StationRatio | None) -> str:
    """``seen 75/60, between 1.10 and 1.20 Vs; true 75/60, at 1.16 Vs: right``."""
    between = (
        f", between {looked.low_ratio:.2f} and {looked.high_ratio:.2f} Vs"
        if looked and looked.low_ratio and looked.high_ratio
        else ""
    )
    right = "wrong" if first not in seen else "right" if len(seen) == 1 else "among those seen"
    return f"seen {' '.join(seen) or 'none'}{between}; true {first}, at {ratio:.2f} Vs: {right}"


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


def _score_calls(truth: dict, calls: Sequence[CallView]) -> dict:
    """Airspeed calls: right, wrong, missed, and invented where none was spoken."""
    score = dict.fromkeys(("expected", "right", "wrong", "missed", "invented"), 0)
    for flight in truth["flights"]:
        heard = [c.call for c in calls if c.flight == flight["flight"] and c.call.kind == "airspeed"]
        for spoken in (c for c in flight["calls"] if c["kind"] == "airspeed"):
            score["expected"] += 1
            near = [c for c in heard if abs(c.flight_s - spoken["start_s"]) <= SAME_CALL_S]
            if not near:
                score["missed"] += 1
                continue
            call = min(near, key=lambda c: abs(c.flight_s - spoken["start_s"]))
            heard.remove(call)
            score["right" if call.value == spoken["value"] else "wrong"] += 1
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
