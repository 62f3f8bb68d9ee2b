"""How quick and how steady the app is, in the real window of this display (`xvfb-run -s "-screen 0 1280x800x24"`).

    python tests/bench/app.py CAMPAIGN [--openings 20] [--screens plan,review,preflight]

Prints: seconds from the start of the process to the first picture and to the home page; milliseconds a frame while a job runs
(median, 95 %, worst) and at rest; memory after each ten openings of every screen. CAMPAIGN is copied, not changed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

DRAWN_MS = 0.5
BEGAN_S = time.monotonic()
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))


def memory_mb() -> float:
    """Resident memory of this process (Linux)."""
    for line in Path("/proc/self/status").read_text("utf-8").splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return float("nan")


def main() -> int:
    """Open, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("campaign", type=Path)
    parser.add_argument("--openings", type=int, default=20)
    parser.add_argument("--screens", default="plan,review,preflight")
    args = parser.parse_args()
    home = tempfile.mkdtemp(prefix="kneecall-bench-")
    os.environ["KNEECALL_HOME"] = home
    campaign = Path(home) / "campaign"
    shutil.copytree(args.campaign, campaign)
    from logger_app.ui.app import prepare_kivy, show_splash

    prepare_kivy()
    show_splash()
    result: dict[str, object] = {"first_picture_s": round(time.monotonic() - BEGAN_S, 2)}
    from kivy.base import EventLoop

    from logger_app.cli import app as door
    from logger_app.ui.main_app import MainApp, Screens
    from logger_app.ui.pages import JobPage

    app = MainApp(
        Screens(plan=door._plan, preflight=door._preflight, fly=door._fly, review=door._review, compare=door._compare)
    )
    app._run_prepare()
    EventLoop.idle()
    result["home_s"] = round(time.monotonic() - BEGAN_S, 2)

    def until(condition, frames: list[float] | None = None) -> None:
        while not condition():
            began_s = time.perf_counter()
            EventLoop.idle()
            if frames is not None:
                frames.append(1000 * (time.perf_counter() - began_s))

    app.stack[0].enter(campaign)
    until(lambda: not app.stack[-1].looking)
    from kivy.clock import Clock

    Clock._max_fps = 0  # the time of drawing itself, not of waiting for the next frame
    frames: list[float] = []
    app.open(JobPage("Report", ["report", str(campaign)]))
    job = app.stack[-1].job
    until(lambda: job.state.code is not None, frames)
    busy = sorted(ms for ms in frames if ms > DRAWN_MS)  # passes in which something was drawn
    result["frame_ms_while_a_job_runs"] = {
        "median": round(statistics.median(busy), 2),
        "p95": round(busy[int(0.95 * len(busy))], 2),
        "worst": round(busy[-1], 1),
        "frames": len(busy),
        "job_s": round(sum(busy) / 1000, 1),
        "job_code": job.state.code,
    }
    app.back()
    flight = next((campaign / "flights").iterdir())
    memory = {}
    for name, folder in (("plan", campaign), ("review", flight), ("preflight", campaign)):
        if name not in args.screens.split(","):
            continue
        memory[name] = [round(memory_mb())]
        for k in range(1, args.openings + 1):
            app.screen(name, folder)
            until(lambda: app.hosted is not None)
            for _ in range(5):
                EventLoop.idle()
            app.leave()
            until(lambda: not app.stack[-1].looking)
            if k % 10 == 0:
                memory[name].append(round(memory_mb()))
    result["memory_mb_after_each_ten_openings"] = memory
    app.stop()
    shutil.rmtree(home, ignore_errors=True)
    print(json.dumps(result, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
