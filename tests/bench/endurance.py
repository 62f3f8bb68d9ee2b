"""A long flight: memory, handles, threads and latency flat.

    python tests/bench/endurance.py                 four hours, as fast as the sound is taken
    python tests/bench/endurance.py --hours 1
    python tests/bench/endurance.py --real-pace     at the pace of a clock: an hour takes an hour

`FlightSession` on made sound, a call every three seconds from a scripted recogniser (how the real one behaves
is `tests/bench/fly.py`'s to say; the real pace with recogniser and screen too, `fly.py --minutes 30`). Memory, open
handles and threads are read every five minutes of flight, and how long the session takes from the sample of a call
to its row in the journal, less what the sound was ahead. Slopes are least squares over all but the first half hour,
while caches fill. Long campaigns: `reduce.py --flights 200` and `report.py --flights 200`.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import threading
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

DEMO = Path(__file__).parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"
EVERY_S = 300.0
SETTLED_S = 1800.0
# What counts as flat: megabytes, handles, threads and milliseconds that an hour of flight may add.
FLAT = {"memory_mb": 5.0, "handles": 0.25, "threads": 0.25, "latency_ms": 2.0}


class Tape:
    """Quiet noise for so many seconds: as fast as it is taken, or at the pace of a clock."""

    name, trouble = "made sound", ""

    def __init__(self, seconds: float, paced: bool):
        self.seconds, self.paced, self.stopped, self.at_s = seconds, paced, threading.Event(), 0.0
        self.pcm = np.random.default_rng(1).integers(-200, 200, 800).astype(np.int16)

    def start(self, blocks) -> None:
        self.thread = threading.Thread(target=self._play, args=(blocks,), daemon=True)
        self.thread.start()

    def _play(self, blocks) -> None:
        began_s = time.monotonic()
        for k in range(round(self.seconds * 20)):
            if self.stopped.wait(max(0.0, began_s + k / 20 - time.monotonic()) if self.paced else 0.0):
                break
            blocks.put_waiting(self.pcm, self.stopped)
            self.at_s = k / 20
        blocks.end()

    def stop(self, within_s: float | None = None) -> bool:
        self.stopped.set()
        self.thread.join(within_s)
        return not self.thread.is_alive()


class Script:
    """A run of a minute over and over: on condition, airspeeds, break, recovered; notes when it handed each on."""

    name = "script"
    handed: dict = {}  # by the call's time on the flight clock: when, on the monotonic clock
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
                    calls.append(
                        HeardCall(
                            id="x",
                            start_ns=s_to_ns(at_s),
                            end_ns=s_to_ns(at_s + 0.5),
                            words=str(what),
                            value=what if speed else None,
                            kind=CallKind.AIRSPEED if speed else CallKind.EVENT,
                            name="ias" if speed else what,
                            unit="kt" if speed else None,
                        )
                    )
                    self.handed[s_to_ns(at_s)] = time.monotonic()
        self.told_s = until_s
        return calls

    def finish(self):
        return []

    def partial(self) -> str:
        return ""


def long_flight(hours: float, paced: bool) -> dict:
    """One flight; memory, handles, threads and latency along it."""
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.flight_session import FlightSession, open_flight

    looks, rows, waits = [], {"calls": 0, "gaps": 0}, []
    with tempfile.TemporaryDirectory() as name:
        folder, tape = Path(name), Tape(hours * 3600, paced)
        (folder / "campaign.toml").write_bytes((DEMO / "campaign.toml").read_bytes())
        campaign = flow.load_campaign(folder)

        def told(done, runs) -> None:
            for row in done:
                if row.kind == "call":
                    rows["calls"] += 1
                    waits.append(time.monotonic() - Script.handed.pop(row.flight_ns))
                rows["gaps"] += row.kind == "gap"

        session = FlightSession(
            campaign, open_flight(campaign, folder, "day1_baseline"), microphone=tape, engine=Script, on_rows=told
        )
        began_s = time.monotonic()
        session.start()
        while not session.wait(0.02):
            session.snapshot()
            if tape.at_s >= EVERY_S * (len(looks) + 1) and waits:
                new, waits[:] = list(waits), []
                latency = {"latency_ms": round(1000 * float(np.median(new)), 2), "worst_ms": round(1000 * max(new), 1)}
                looks.append({"flight_s": round(tape.at_s), **resources_now(), **latency})
        session.stop(landed=True)
        wall_s = time.monotonic() - began_s
    result = {"hours": hours, "real_pace": paced, "wall_s": round(wall_s, 1), **rows, "looks": looks, "flat": None}
    settled = [look for look in looks if look["flight_s"] > SETTLED_S]
    if len(settled) > 3:
        at_h = [look["flight_s"] / 3600 for look in settled]
        slopes = {name: round(float(np.polyfit(at_h, [look[name] for look in settled], 1)[0]), 3) for name in FLAT}
        result |= {"first": settled[0], "last": settled[-1], "an_hour_adds": slopes}
        result["flat"] = all(slopes[name] <= most for name, most in FLAT.items())
    return result


def resources_now() -> dict:
    """Resident memory [MB], open handles and threads of this process (Linux)."""
    status = Path("/proc/self/status").read_text()
    memory = next(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS"))
    return {
        "memory_mb": round(memory, 1),
        "handles": len(os.listdir("/proc/self/fd")),
        "threads": threading.active_count(),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=4.0, help="length of the flight")
    parser.add_argument("--real-pace", action="store_true", help="not faster than a clock")
    parser.add_argument("--looks", action="store_true", help="print every look, not the first and last only")
    args = parser.parse_args()
    result = long_flight(args.hours, args.real_pace)
    if not args.looks:
        result.pop("looks")
    print(json.dumps(result, indent=1))
    return 0 if result["flat"] is not False and not result["gaps"] else 1


if __name__ == "__main__":
    sys.exit(main())
