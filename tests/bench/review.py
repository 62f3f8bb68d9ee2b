"""How quick the review screen is, as shown and as ratios to drawing an unchanged window.

    xvfb-run -a -s "-screen 0 1280x800x24" python tests/bench/review.py [--json]

Two made flights: 40 runs of about ten calls, and 34 runs of 60 calls (2,000 calls). For each: a
step to the next call, a step in the list, a correction, and from the key to the first sample asked
of the sound device (the device's own latency is not in it). Medians of 30, and the slowest.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

os.environ.update(
    KIVY_NO_ARGS="1",
    KIVY_NO_FILELOG="1",
    KIVY_NO_CONSOLELOG="1",
    KIVY_USE_DEFAULTCONFIG="1",
    KIVY_METRICS_DENSITY="1",
    KIVY_DPI="96",
)
os.environ.setdefault("KIVY_HOME", tempfile.mkdtemp())
if not os.environ.get("DISPLAY"):
    os.environ.setdefault("SDL_VIDEODRIVER", "offscreen")
TESTS = Path(__file__).resolve().parents[1]
TIMES = 30


def long_flight(made_flight):
    """34 runs of 60 calls."""
    from logger_app.records.calls import CallKind

    calls = []
    for run in range(34):
        begin_s = 20 + 110 * run
        calls.append(made_flight.heard(f"on-{run:02d}", begin_s - 3, CallKind.COMMAND, "on_condition"))
        for k in range(59):
            number = 59 * run + k
            posterior = 0.6 if number % 12 == 0 else 0.99
            calls.append(
                made_flight.heard(
                    f"c{number:04d}", begin_s + 1.2 * k, CallKind.AIRSPEED, "ias", 80.0 - k // 2, posterior
                )
            )
        calls.append(made_flight.heard(f"end-{run:02d}", begin_s + 72, CallKind.EVENT, "break"))
    return made_flight.MadeFlight(tuple(calls), {}, (), {}, 34 * 110.0)


def measure(screen_tests, driver, made, seconds: float, folder: Path) -> dict:
    """Times in milliseconds for one flight."""
    from logger_app.ui.app import prepare_kivy
    from logger_app.workflows.review import ReviewWorkflow

    flight = screen_tests.make_flight_folder(folder, made, seconds)
    prepare_kivy(1280, 800)
    from kivy.core.window import Window

    from logger_app.ui.screens.review import FlightReviewApp

    begun = time.perf_counter()
    player = screen_tests.SilentPlayer()
    pilot = driver.Pilot(FlightReviewApp(ReviewWorkflow(flight, "bench"), player), Window)
    opened_ms = 1e3 * (time.perf_counter() - begun)
    press = screen_tests.Keyboard(pilot)

    def timed(*keys):
        spent = []
        for _ in range(TIMES):
            start = time.perf_counter()
            press(*keys)
            spent.append(1e3 * (time.perf_counter() - start))
        return {"median_ms": round(median(spent), 1), "slowest_ms": round(max(spent), 1)}

    def sound():
        spent = []
        for _ in range(TIMES):
            press("right")
            start = time.perf_counter()
            press("space")
            if player.played and player.played[-1][0] > start:
                spent.append(1e3 * (player.played[-1][0] - start))
        return {"median_ms": round(median(spent), 2), "slowest_ms": round(max(spent), 2)} if spent else {}

    idle = []
    for _ in range(TIMES):
        start = time.perf_counter()
        pilot.root.canvas.ask_update()
        pilot.frames(1)
        idle.append(1e3 * (time.perf_counter() - start))
    rows = {"unchanged window": {"median_ms": round(median(idle), 1), "slowest_ms": round(max(idle), 1)}}
    pilot.root.press(f"go:{press.state.workflow.calls[0].id}")
    rows["key to sound"] = sound()
    rows |= {"next call": timed("right"), "next in list": timed("down"), "correction": timed("enter")}
    for row in rows.values():
        if row:
            row["ratio"] = round(row["median_ms"] / median(idle), 2)
    result = {
        "calls": len(made.calls),
        "runs": len(press.state.workflow.runs.runs),
        "open_ms": round(opened_ms),
        "rows": rows,
    }
    pilot.close()
    return result


def main() -> None:
    """Print the table, or JSON."""
    sys.path.insert(0, str(TESTS))
    import made_flight
    from e2e import driver
    from e2e import test_review_screen as screen_tests

    results = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, made, seconds in (
            ("40 runs", made_flight.make_flight(100), 300.0),
            ("34 runs of 60 calls", long_flight(made_flight), 300.0),
        ):
            place = Path(folder) / name.replace(" ", "_")
            place.mkdir()
            results[name] = measure(screen_tests, driver, made, seconds, place)
    if "--json" in sys.argv:
        print(json.dumps(results, indent=1), file=sys.__stdout__)
        return
    for name, result in results.items():
        print(
            f"{name}: {result['calls']} calls, {result['runs']} runs, opens in {result['open_ms']} ms",
            file=sys.__stdout__,
        )
        for what, row in result["rows"].items():
            if row:
                print(
                    f"  {what:18} median {row['median_ms']:7.1f} ms  slowest {row['slowest_ms']:7.1f} ms  "
                    f"{row['ratio']:5.2f} x an unchanged window",
                    file=sys.__stdout__,
                )


if __name__ == "__main__":
    main()
