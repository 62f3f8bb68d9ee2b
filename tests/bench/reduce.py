"""How long `kneecall reduce` takes on 1,000 runs; wanted: under 5 s.

    python tests/bench/reduce.py [--runs 1000] [--json]

Ten flights of two configurations, written to a campaign folder; the verb is run in a process of
its own, start-up and loading included. The reduction alone is timed in this process. Seconds are
of processor time, so that a busy machine does not matter; the wall is given beside it. Two passes
must agree.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.journal import FlightInfo
from logger_app.reduce.as_json import reduction_to_json
from logger_app.reduce.campaign import reduce_campaign

LIMIT_S = 5.0
CAMPAIGN = """
[campaign]
name = "made"
[aircraft]
name = "made"
empty_weight_kg = 380.0
reference_weight_kg = 600.0
max_weight_kg = 650.0
wing_area_m2 = 12.0
[[calibration]]
flap_deg = 0
ias_kt = [30, 80]
cas_kt = [35, 80]
[[configuration]]
id = "base"
name = "base"
[[configuration]]
id = "mod"
name = "mod"
parent = "base"
[[configuration.change]]
item = "made"
[[card]]
id = "A"
title = "A"
[[card.point]]
id = "A1"
power = "idle"
flap_deg = 0
"""


def coverage_module():
    spec = importlib.util.spec_from_file_location("coverage_bench", Path(__file__).with_name("coverage.py"))
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def write_campaign(folder: Path, flights) -> None:
    """The same flights as journals; runs of a flight laid end to end."""
    (folder / "flights").mkdir()
    (folder / "campaign.toml").write_text(CAMPAIGN, encoding="utf-8")
    for data in flights:
        info = FlightInfo(
            id=data.info.id, configuration=data.info.configuration, loading_items=(("crew", 150.0),), fuel_l=90.0
        )
        rows, start_ns = [_heard("p", 0, "setting", "power", "idle"), _heard("f", 1, "setting", "flap", 0.0)], 10**10
        for run in data.runs.runs:
            rows.append(_heard(f"{run.id}on", start_ns - 2 * 10**9, "event", "on_condition"))
            for call in run.calls:
                rows.append(_heard(call.id, start_ns + call.flight_ns, str(call.kind), call.name, call.value))
            start_ns += run.end_ns + 3 * 10**9
            rows.append(_heard(f"{run.id}rec", start_ns, "event", "recovered"))
            start_ns += 20 * 10**9
        with Journal.create(folder / "flights" / info.id, info) as journal:
            journal.append([codec.call_row(call, "2031-05-04T07:00:00Z") for call in rows])


def _heard(id, at_ns, kind, name, value=None) -> HeardCall:
    unit = "kt" if kind == "airspeed" else None
    return HeardCall(id=id, start_ns=at_ns, end_ns=at_ns + 4 * 10**8, kind=CallKind(kind), name=name, value=value, unit=unit)


def time_the_verb(flights) -> tuple[float, float, int]:
    """Processor and wall seconds that `kneecall reduce --json` takes, and how many runs it found."""
    with tempfile.TemporaryDirectory() as folder:
        write_campaign(Path(folder), flights)
        began, before = time.perf_counter(), os.times()
        command = [sys.executable, "-m", "logger_app", "reduce", folder, "--json"]
        done = subprocess.run(command, capture_output=True, check=True, text=True)
        after = os.times()
        cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
        return cpu_s, time.perf_counter() - began, len(json.loads(done.stdout)["runs"])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    made, rng = coverage_module(), np.random.default_rng(1)
    flights = [
        made.flight(rng, f"f{k}", ("base", "mod")[k % 2], 48.0 - k % 2, args.runs // 10, 3.0, wild=0.0) for k in range(10)
    ]
    began = time.process_time()
    first = reduce_campaign(made.CAMPAIGN, flights)
    taken_s = time.process_time() - began
    same = reduction_to_json(first) == reduction_to_json(reduce_campaign(made.CAMPAIGN, flights))
    verb_s, verb_wall_s, found = time_the_verb(flights)
    result = {
        "verb_seconds": round(verb_s, 3),
        "verb_wall_seconds": round(verb_wall_s, 3),
        "verb_runs": found,
        "runs": len(first.runs),
        "counting": sum(run.counts for run in first.runs),
        "seconds": round(taken_s, 3),
        "ms_per_run": round(1000 * taken_s / len(first.runs), 3),
        "same_again": same,
    }
    json.dump(result, sys.stdout, indent=1)
    sys.stdout.write("\n")
    return 0 if max(taken_s, verb_s) < LIMIT_S and same and found == args.runs else 1


if __name__ == "__main__":
    sys.exit(main())
