"""How `fly` behaves over time: latency of calls and words, dropped blocks, memory, processor, start-up.

    python tests/bench/fly.py                    2 minutes at real pace with the screen, then an hour compressed
    python tests/bench/fly.py --minutes 30       the 30-minute flight of the issue, at real pace
    python tests/bench/fly.py --no-screen --json

The sound is the demo's, over and over; what was said when is its truth. With the screen it needs a
display (``xvfb-run -a -s "-screen 0 1280x800x24" python tests/bench/fly.py``); drawing is software.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does, before numpy is imported

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_sessions" / "sparrow_cuffs"
SAME_CALL_S = 0.7
WARM_UP_S = 300.0


class LoopMicrophone:
    """The demo's sound again and again for so many seconds, at real pace or as fast as it is taken."""

    name, trouble = "demo loop", ""

    def __init__(self, pcm: np.ndarray, seconds: float, paced: bool):
        self.pcm, self.seconds, self.paced = pcm, seconds, paced
        self.stopped, self.late_s = threading.Event(), 0.0
        self.began_s = time.monotonic()

    def start(self, blocks) -> None:
        self.began_s = time.monotonic()
        self.thread = threading.Thread(target=self._play, args=(blocks,), daemon=True)
        self.thread.start()

    def _play(self, blocks) -> None:
        n = 800
        for k in range(round(self.seconds * 16_000 / n)):
            if self.stopped.is_set():
                break
            at = k * n % (len(self.pcm) - n)
            if self.paced:
                wait = self.began_s + (k + 1) * n / 16_000 - time.monotonic()
                self.late_s = max(self.late_s, -wait)
                if wait > 0:
                    self.stopped.wait(wait)
                blocks.put(self.pcm[at : at + n])
            else:
                blocks.put_waiting(self.pcm[at : at + n], self.stopped)
        blocks.end()

    def stop(self, within_s: float | None = None) -> bool:
        self.stopped.set()
        self.thread.join(within_s)
        return not self.thread.is_alive()


def memory_mb() -> float:
    """Resident memory of this process [MB]."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return float("nan")


def make_session(folder: Path, microphone, on_rows):
    """A session on a fresh copy of the demo's campaign."""
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.flight_session import EngineMaker, FlightSession, open_flight

    (folder / "campaign.toml").write_bytes((DEMO / "inputs" / "campaign.toml").read_bytes())
    campaign = flow.load_campaign(folder)
    make = EngineMaker(campaign)
    journal = open_flight(campaign, folder, "day1_baseline")
    return FlightSession(campaign, journal, microphone=microphone, engine=make, read=make.reader(), on_rows=on_rows)


class Watch:
    """What is measured while it runs: when calls became durable, when words were shown, memory."""

    def __init__(self, microphone):
        self.microphone = microphone
        self.calls: list[tuple[float, float, object]] = []  # (end_s as heard, durable at flight s, body)
        self.partials: list[float] = []
        self.memory: list[tuple[float, float]] = []
        self.gaps = 0
        self.behind_s = 0.0

    def rows(self, rows, runs) -> None:
        now_s = time.monotonic() - self.microphone.began_s
        for row in rows:
            if row.kind == "call":
                self.calls.append((row.body["end_ns"] * 1e-9, now_s, row.body))
            elif row.kind == "gap":
                self.gaps += 1

    def look(self, snapshot) -> None:
        now_s = time.monotonic() - self.microphone.began_s
        if snapshot.partial:
            self.partials.append(now_s)
        self.behind_s = max(self.behind_s, snapshot.behind_s)
        if not self.memory or now_s - self.memory[-1][0] > 5:
            self.memory.append((now_s, memory_mb()))


def latencies(watch: Watch, truth: list[dict], loop_s: float) -> tuple[list[float], list[float]]:
    """(end of last word -> durable, end of first word -> words shown) [s], for calls that the truth has.

    The end of the last word is the truth's; that of the first word is as heard, which is some
    hundredths of a second uncertain.
    """
    final, shown = [], []
    for told in truth:
        for loop in range(int(watch.calls[-1][0] // loop_s) + 1 if watch.calls else 0):
            start_s, end_s = told["start_s"] + loop * loop_s, told["end_s"] + loop * loop_s
            near = [c for c in watch.calls if abs(c[2]["start_ns"] * 1e-9 - start_s) < SAME_CALL_S]
            if not near:
                continue
            call = min(near, key=lambda c: abs(c[2]["start_ns"] * 1e-9 - start_s))
            final.append(call[1] - end_s)
            words = call[2]["word_times"]
            seen = next((at for at in watch.partials if start_s <= at <= end_s + 1.0), None)
            if seen is not None and words:
                shown.append(seen - words[0][2] * 1e-9)
    return final, shown


def real_pace(minutes: float, screen: bool, size: tuple[int, int]) -> dict:
    """A flight at real pace."""
    from logger_app.io.sound import read_sound_file

    began_s = time.monotonic()
    pcm = read_sound_file(DEMO / "inputs" / "day1_baseline.opus")
    truth = json.loads((DEMO / "expected" / "truth.json").read_text())["flights"][0]["calls"]
    microphone = LoopMicrophone(pcm, minutes * 60, paced=True)
    watch = Watch(microphone)
    with tempfile.TemporaryDirectory() as folder:
        loaded_s = time.monotonic()
        session = make_session(Path(folder), microphone, watch.rows)
        if screen:
            ready_s = _with_screen(session, watch, size, minutes * 60)
        else:
            session.start()
            ready_s = time.monotonic()
            while not session.wait(0.1):
                watch.look(session.snapshot())
        cpu_s, wall_s = sum(os.times()[:2]), time.monotonic() - began_s
        session.stop(landed=True)
        from logger_app.logstore.audio_io import sound_duration_s

        kept_s = sound_duration_s(Path(folder) / "flights" / "day1_baseline")
    final, shown = latencies(watch, truth, (len(pcm) - 800) // 800 * 800 / 16_000)
    warm = [mb for at, mb in watch.memory if at >= min(WARM_UP_S, minutes * 30)]
    return {
        "minutes": minutes,
        "screen": f"{size[0]}x{size[1]}" if screen else None,
        "ready_s": round(ready_s - loaded_s, 2),
        "calls": len(watch.calls),
        "of_truth": len(final),
        "call_durable_median_ms": _ms(statistics.median(final)) if final else None,
        "call_durable_p95_ms": _ms(float(np.quantile(final, 0.95))) if final else None,
        "word_shown_median_ms": _ms(statistics.median(shown)) if shown else None,
        "word_shown_p95_ms": _ms(float(np.quantile(shown, 0.95))) if shown else None,
        "sound_kept_s": round(kept_s, 2),
        "sound_played_s": round(minutes * 60, 2),
        "gaps": watch.gaps,
        "hearing_behind_max_s": round(watch.behind_s, 2),
        "microphone_late_max_ms": _ms(microphone.late_s),
        "cpu_cores": round(cpu_s / wall_s, 2),
        "memory_mb": round(warm[-1], 1) if warm else None,
        "memory_growth_mb": round(max(warm) - warm[0], 1) if len(warm) > 1 else None,
        "load_average": round(os.getloadavg()[0], 1),
    }


def _with_screen(session, watch: Watch, size, seconds: float) -> float:
    """Run the real app until the sound is over; gives when it was ready for the first call."""
    from logger_app.ui.app import make_fly_app, prepare_kivy
    from logger_app.ui.theme import Display

    prepare_kivy(*size)
    from kivy.clock import Clock

    app = make_fly_app(session, Display())
    ready = []

    def look(_):
        if not ready and session.snapshot().sound is not None:
            ready.append(time.monotonic())
        snapshot = session.snapshot()
        if ready:
            watch.look(snapshot)
        if snapshot.ended:
            app.stop()

    Clock.schedule_interval(look, 0.05)
    app.run()
    return ready[0]


def compressed(hours: float) -> dict:
    """A long flight as fast as it can be heard: memory, files and threads must stay flat."""
    from logger_app.io.sound import read_sound_file

    pcm = read_sound_file(DEMO / "inputs" / "day1_baseline.opus")
    microphone = LoopMicrophone(pcm, hours * 3600, paced=False)
    rows = []
    seen: list[tuple[float, float, int, int]] = []
    with tempfile.TemporaryDirectory() as folder:
        began_s = time.monotonic()
        session = make_session(Path(folder), microphone, lambda done, runs: rows.append(len(done)))
        session.start()
        while not session.wait(1.0):
            at_s = session.snapshot().flight_ns * 1e-9
            seen.append((at_s, memory_mb(), len(os.listdir("/proc/self/fd")), threading.active_count()))
        wall_s = time.monotonic() - began_s
        session.stop(landed=True)
    warm = [row for row in seen if row[0] >= min(WARM_UP_S, hours * 1800)] or seen
    return {
        "hours": hours,
        "wall_s": round(wall_s, 1),
        "times_real": round(hours * 3600 / wall_s, 1),
        "rows": sum(rows),
        "memory_growth_mb": round(max(r[1] for r in warm) - warm[0][1], 1),
        "files_first_last": [warm[0][2], warm[-1][2]],
        "threads_first_last": [warm[0][3], warm[-1][3]],
        "memory_peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    }


def _ms(seconds: float) -> int:
    return round(1000 * seconds)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=2.0, help="length of the flight at real pace")
    parser.add_argument("--hours", type=float, default=1.0, help="length of the compressed flight; 0 for none")
    parser.add_argument("--size", default="1280x800")
    parser.add_argument("--no-screen", action="store_true")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    size = tuple(int(part) for part in args.size.split("x"))
    result = {"real_pace": real_pace(args.minutes, not args.no_screen, size)}
    if args.hours:
        result["compressed"] = compressed(args.hours)
    if args.json:
        print(json.dumps(result, indent=1))
        return 0
    for part, figures in result.items():
        print(part.replace("_", " "))
        for name, value in figures.items():
            print(f"  {name:26} {value}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
