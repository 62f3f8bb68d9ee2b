"""Long flights and long campaigns: memory, handles, threads flat; time in proportion.

    python tests/bench/endurance.py                     both, as issued: 200 flights with 20,000 runs, four hours
    python tests/bench/endurance.py --flights 40 --hours 0
    python tests/bench/endurance.py --flights 0 --hours 1

The campaign: journals of made flights (100 runs each), reduced and reported by the verbs in processes of
their own; once a quarter of the flights, once all. Cost in proportion means: four times the flights, at
most five times the processor time. Peak memory of each is given; that of the larger over the smaller says
how much of it grows.

The flight: `FlightSession` on made sound as fast as it is taken, a call every three seconds from a
scripted recogniser (how the real one behaves is `tests/bench/fly.py`'s to say). Memory, open handles and
threads are read every five minutes of flight; the last hour is held against the second.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

BENCH = Path(__file__).parent
RUNS_PER_FLIGHT = 100
# Four times the work; more than this in processor time is not "in proportion".
MOST_TIMES = 5.0
FLAT_MB = 30.0
EVERY_S = 300.0


def neighbour(name: str):
    """Another bench as a module."""
    spec = importlib.util.spec_from_file_location(f"{name}_bench", BENCH / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


# ---- campaigns ----


def verb_cost(*words) -> dict:
    """Processor seconds and peak memory of a verb in a process of its own."""
    code = (
        "import json, resource, sys\nfrom logger_app.__main__ import main\ncode = main(sys.argv[1:])\n"
        "use = resource.getrusage(resource.RUSAGE_SELF)\n"
        "print('COST', code, use.ru_utime + use.ru_stime, use.ru_maxrss / 1024, file=sys.stderr)"
    )
    began_s = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code, *map(str, words)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    exit_code, cpu_s, peak_mb = done.stderr.rpartition("COST")[2].split()
    if exit_code != "0":
        raise SystemExit(done.stderr[-600:])
    return {"cpu_s": round(float(cpu_s), 2), "wall_s": round(time.monotonic() - began_s, 2), "peak_mb": round(float(peak_mb), 1)}


def campaigns(flights: int, report: bool) -> dict:
    """A quarter of the flights, then all of them."""
    reduce_bench = neighbour("reduce")
    made, rng = reduce_bench.coverage_module(), np.random.default_rng(1)
    result: dict = {"runs_per_flight": RUNS_PER_FLIGHT, "sizes": []}
    for count in (flights // 4, flights):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "flights").mkdir()
            (folder / "campaign.toml").write_text(reduce_bench.CAMPAIGN, encoding="utf-8")
            for k in range(count):  # one at a time: the bench's own memory stays out of it
                flight = made.flight(rng, f"f{k:04d}", ("base", "mod")[k % 2], 48.0 - k % 2, RUNS_PER_FLIGHT, 3.0, wild=0.0)
                with tempfile.TemporaryDirectory() as part:
                    reduce_bench.write_campaign(Path(part), [flight])
                    os.rename(Path(part) / "flights" / f"f{k:04d}", folder / "flights" / f"f{k:04d}")
            size = {"flights": count, "runs": count * RUNS_PER_FLIGHT, "reduce": verb_cost("reduce", folder)}
            if report:
                size["report"] = verb_cost("report", folder, "-o", folder / "out")
            result["sizes"].append(size)
    small, large = result["sizes"]
    for verb in ("reduce", "report") if report else ("reduce",):
        result[f"{verb}_times"] = round(large[verb]["cpu_s"] / small[verb]["cpu_s"], 2)
        grown_mb = large[verb]["peak_mb"] - small[verb]["peak_mb"]
        result[f"{verb}_kb_per_run"] = round(1024 * grown_mb / (large["runs"] - small["runs"]), 1)
    return result


# ---- the long flight ----


class Tape:
    """Quiet noise for so many seconds, as fast as it is taken."""

    name, paced, trouble = "made sound", False, ""

    def __init__(self, seconds: float):
        self.seconds, self.stopped, self.at_s = seconds, threading.Event(), 0.0
        self.pcm = np.random.default_rng(1).integers(-200, 200, 800).astype(np.int16)

    def start(self, blocks) -> None:
        self.thread = threading.Thread(target=self._play, args=(blocks,), daemon=True)
        self.thread.start()

    def _play(self, blocks) -> None:
        for k in range(round(self.seconds * 20)):
            if self.stopped.is_set():
                break
            blocks.put_waiting(self.pcm, self.stopped)
            self.at_s = k / 20
        blocks.end()

    def stop(self) -> None:
        self.stopped.set()
        self.thread.join()


class Script:
    """A run of a minute over and over: on condition, airspeeds, break, recovered."""

    name = "script"
    SPOKEN = ((3, "on_condition"), *((3 * k, 66.0 - k) for k in range(2, 16)), (48, "break"), (54, "recovered"))

    def __init__(self):
        self.samples, self.told_s = 0, 0.0

    def feed(self, pcm):
        from logger_app.records.calls import CallKind, HeardCall
        from logger_app.units import s_to_ns

        self.samples += len(pcm)
        until_s, calls = self.samples / 16_000 - 1.0, []
        if until_s <= self.told_s:
            return []
        for minute in range(int(self.told_s // 60), int(until_s // 60) + 1):
            for second, what in self.SPOKEN:
                at_s = 60.0 * minute + second
                if self.told_s < at_s <= until_s:
                    speed = isinstance(what, float)
                    calls.append(HeardCall(
                        id="x", start_ns=s_to_ns(at_s), end_ns=s_to_ns(at_s + 0.5), words=str(what), value=what if speed else None,
                        kind=CallKind.AIRSPEED if speed else CallKind.EVENT, name="ias" if speed else what, unit="kt" if speed else None,
                    ))  # fmt: skip
        self.told_s = until_s
        return calls

    def finish(self):
        return []

    def partial(self) -> str:
        return ""


def long_flight(hours: float) -> dict:
    """One flight; memory, handles and threads along it."""
    from logger_app import flow
    from logger_app.flight_session import FlightSession, open_flight

    demo = BENCH.parents[1] / "demo_sessions" / "sparrow_cuffs" / "inputs"
    looks, rows = [], {"calls": 0, "gaps": 0}
    with tempfile.TemporaryDirectory() as name:
        folder, tape = Path(name), Tape(hours * 3600)
        (folder / "campaign.toml").write_bytes((demo / "campaign.toml").read_bytes())
        campaign = flow.load_campaign(folder)

        def told(done, runs) -> None:
            for row in done:
                rows["calls"] += row.kind == "call"
                rows["gaps"] += row.kind == "gap"

        session = FlightSession(campaign, open_flight(campaign, folder, "day1_baseline"), microphone=tape, engine=Script, on_rows=told)
        began_s = time.monotonic()
        session.start()
        while not session.wait(0.02):
            session.snapshot()
            if tape.at_s >= EVERY_S * (len(looks) + 1):
                looks.append({"flight_s": round(tape.at_s), **resources_now()})
        session.stop(landed=True)
        wall_s = time.monotonic() - began_s
    if len(looks) < 4:
        return {"hours": hours, "wall_s": round(wall_s, 1), **rows, "looks": looks, "flat": None}
    middle, last = looks[len(looks) // 4], looks[-1]
    return {
        "hours": hours,
        "wall_s": round(wall_s, 1),
        **rows,
        "early": middle,
        "late": last,
        "flat": last["memory_mb"] - middle["memory_mb"] < FLAT_MB
        and last["handles"] <= middle["handles"] + 1
        and last["threads"] <= middle["threads"],
    }


def resources_now() -> dict:
    """Resident memory [MB], open handles and threads of this process (Linux)."""
    status = Path("/proc/self/status").read_text()
    memory = next(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS"))
    return {"memory_mb": round(memory, 1), "handles": len(os.listdir("/proc/self/fd")), "threads": threading.active_count()}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--flights", type=int, default=200, help="size of the large campaign; 0 for none")
    parser.add_argument("--no-report", action="store_true", help="reduce only")
    parser.add_argument("--hours", type=float, default=4.0, help="length of the flight; 0 for none")
    args = parser.parse_args()
    result = {}
    if args.hours:
        result["flight"] = long_flight(args.hours)
    if args.flights:
        result["campaign"] = campaigns(args.flights, not args.no_report)
    print(json.dumps(result, indent=1))
    campaign, flight = result.get("campaign", {}), result.get("flight", {})
    ok = flight.get("flat", True) is not False and max(campaign.get("reduce_times", 0), campaign.get("report_times", 0)) <= MOST_TIMES
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
