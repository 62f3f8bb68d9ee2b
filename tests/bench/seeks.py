"""How quickly the picture at a moment is there: random seeks, single frames, a slider that is dragged.

    python tests/bench/seeks.py [--json] [--clips DIR] [--only 30,variable,240]
    xvfb-run -a -s "-screen 0 1920x1200x24" python tests/bench/seeks.py --screen

Clips are 1080p H.264 with one key picture in 250 and two B pictures between others, made by ffmpeg with
noise at 20 Mbit/s, as of an action camera: 30 frames a second, variable (drawn from 60 a second), 240 a
second. Each is measured as it is and through its small copy (proxy). `random`: times drawn evenly;
`next` and `previous`: one frame; `drag`: 120 places from one end to the other and back.

With --screen the compare screen is opened in a real window on two such cameras. `first picture` is the
time from the slider's move until both sides have drawn a picture of the new moment, small or true; `true
picture` until both true frames are drawn; in a drag of two seconds, how many new pictures were drawn a
second and the longest wait between two.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

CLIPS = {
    "30": ["-vf", "noise=alls=10:allf=t", "-t", "40"],
    "variable": ["-vf", "select='gt(random(7)\\,0.45)',noise=alls=10:allf=t", "-fps_mode", "vfr", "-t", "20"],
    "240": ["-vf", "noise=alls=10:allf=t", "-t", "5"],
}
RATES = {"30": 30, "variable": 60, "240": 240}
TARGET_MS = 60.0


def make_clip(name: str, folder: Path) -> Path:
    """A clip of this name; made once in a folder."""
    path = folder / f"seeks_{name}.mp4"
    if not path.exists():
        print(f"making {path.name} ...", file=sys.stderr)
        part = path.with_suffix(".part.mp4")
        source = ["-f", "lavfi", "-i", f"testsrc2=s=1920x1080:r={RATES[name]}"]
        coded = [
            "-c:v",
            "libx264",
            "-preset",
            "veryfast",
            "-g",
            "250",
            "-keyint_min",
            "250",
            "-sc_threshold",
            "0",
            "-bf",
            "2",
            "-b:v",
            "20M",
            "-pix_fmt",
            "yuv420p",
        ]
        subprocess.run(
            ["ffmpeg", "-v", "error", "-y", *source, *CLIPS[name], *coded, part], check=True, stdin=subprocess.DEVNULL
        )
        part.replace(path)
    return path


def timed(work) -> tuple[float, float]:
    """Milliseconds that a call takes, by the clock and of processors."""
    start, busy = time.perf_counter(), time.process_time()
    work()
    return 1000 * (time.perf_counter() - start), 1000 * (time.process_time() - busy)


def told(times_ms) -> dict:
    """Median, 95th percentile and longest [ms]; the median of processor time, which other programs lengthen less."""
    clock, *busy = zip(*times_ms) if isinstance(times_ms[0], tuple) else (times_ms,)
    found = {"n": len(clock), "median": np.median(clock), "p95": np.percentile(clock, 95), "longest": max(clock)}
    if busy:
        found["median of processors"] = np.median(busy[0])
    return {
        key if key == "n" else f"{key}_ms".replace(" ", "_"): value if key == "n" else round(float(value), 1)
        for key, value in found.items()
    }


def in_code(path: Path, count: int) -> dict:
    """Figures of one file."""
    from logger_app.sync.video_io import VideoFrames

    rng = np.random.default_rng(1)
    with VideoFrames(path) as video:
        first, last = video.first_s, video.first_s + video.duration_s - 0.1
        found = {"random": told([timed(lambda at=at: video.frame_at(at)) for at in rng.uniform(first, last, count)])}
        video.frame_at((first + last) / 2)
        found["next"] = told([timed(lambda: video.step(1)) for _ in range(60)])
        video.frame_at((first + last) / 2)
        found["previous"] = told([timed(lambda: video.step(-1)) for _ in range(60)])
        way = np.linspace(first, last, 60)
        found["drag"] = told([timed(lambda at=at: video.frame_at(at)) for at in [*way, *way[::-1]]])
    return found


def code_rows(names, folder: Path, count: int) -> list[dict]:
    """All files, each as it is and as its small copy."""
    from logger_app.sync.video_io import make_proxy

    rows = []
    for name in names:
        path = make_clip(name, folder)
        proxy = folder / f"seeks_{name}_proxy.mp4"
        took_s = timed(lambda: make_proxy(path, proxy))[0] / 1000
        for kind, file in (("original", path), ("proxy", proxy)):
            row = {"clip": name, "file": kind, "mbytes": round(file.stat().st_size / 1e6, 1), **in_code(file, count)}
            rows.append(row if kind == "original" else row | {"made_in_s": round(took_s, 1)})
    return rows


# the screen


def campaign_of(folder: Path, clip: Path, seconds: float):
    """A campaign of two flights, the clip as the camera of each; the stall a little before its end."""
    from logger_app.io.resources import data_dir
    from logger_app.logstore.codec import call_row, clock_map_row
    from logger_app.logstore.store import Journal
    from logger_app.records.calls import CallKind, HeardCall
    from logger_app.records.clocks import ClockMap
    from logger_app.records.journal import FlightInfo, JournalRow, RowKind
    from logger_app.sync.sheet_io import Side
    from logger_app.units import s_to_ns
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.cameras import open_cameras
    from logger_app.workflows.compare import WingComparison

    (folder / "campaign.toml").write_bytes(
        (data_dir("demo_sessions") / "sparrow_cuffs/inputs/campaign.toml").read_bytes()
    )
    utc, event_s = "2027-04-11T10:00:00Z", 30.0
    calls = [
        (10.0, CallKind.SETTING, "power", "idle", None),
        (11.0, CallKind.SETTING, "flap", 0.0, "deg"),
        (12.0, CallKind.EVENT, "on_condition", None, None),
    ]
    calls += [(event_s + 0.5 - back, CallKind.AIRSPEED, "ias", round(46 + back), "kt") for back in range(14, 0, -1)]
    calls += [
        (event_s + 0.5, CallKind.EVENT, "break", None, None),
        (event_s + 4, CallKind.EVENT, "recovered", None, None),
    ]
    for flight in ("day1_baseline", "day2_cuffs"):
        flight_dir = folder / "flights" / flight
        with Journal.create(
            flight_dir, FlightInfo(id=flight, configuration=flight.split("_")[1], fuel_l=70.0)
        ) as journal:
            for k, (at, kind, name, value, unit) in enumerate(calls, 1):
                call = HeardCall(
                    id=f"call-{k:04d}",
                    start_ns=s_to_ns(at),
                    end_ns=s_to_ns(at + 0.4),
                    kind=kind,
                    name=name,
                    value=value,
                    unit=unit,
                )
                journal.append([call_row(call, utc)])
            (flight_dir / "media").mkdir()
            os.link(clip, flight_dir / "media/wing.mp4")
            body = {
                "file": "media/wing.mp4",
                "sha256": "",
                "camera": "wing",
                "chapter": 1,
                "duration_s": seconds,
                "fps": 30,
            }
            clock = ClockMap(source="media/wing.mp4", offset_s=event_s + 4 - seconds, valid_to_s=seconds, u_s=0.005)
            journal.append(
                [
                    JournalRow(id="media-1", flight_ns=0, utc=utc, kind=RowKind.MEDIA, body=body),
                    clock_map_row(clock, utc, "clock-1", 0),
                ]
            )
    campaign, flights, reduction = flow.reduce_all(folder)
    sides = []
    for result in reduction.runs:
        name = campaign.configuration(result.configuration).name
        sides.append(
            Side(
                configuration=result.configuration,
                name=name,
                result=result,
                cameras=open_cameras(folder, result.flight),
            )
        )
    return WingComparison(folder, campaign, flights, sides[0].result.point, sides, "bench")


def window():
    """A Kivy window that draws as fast as it can, and what drives it."""
    os.environ |= {
        "KIVY_NO_ARGS": "1",
        "KIVY_NO_FILELOG": "1",
        "KIVY_NO_CONSOLELOG": "1",
        "KIVY_USE_DEFAULTCONFIG": "1",
        "KIVY_HOME": tempfile.mkdtemp(prefix="kneecall-kivy-"),
    }
    from kivy.config import Config

    for key, value in {"width": 1280, "height": 800, "multisamples": 0, "maxfps": 0, "vsync": 0}.items():
        Config.set("graphics", key, str(value))
    from kivy.core.window import Window

    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from e2e import driver

    return driver, Window


def on_screen(clip: Path, seconds: float, count: int, kinds) -> list[dict]:
    """Figures of the compare screen, without and with small copies."""
    driver, kivy_window = window()
    from logger_app.ui.screens.compare import WingCompareApp

    rows = []
    with tempfile.TemporaryDirectory(dir=clip.parent) as folder:
        workflow = campaign_of(Path(folder), clip, seconds)
        if kinds[0] == "proxy":
            workflow.make_quick(lambda share: None)
        pilot = driver.Pilot(WingCompareApp(workflow), kivy_window)
        root = pilot.root
        for kind in kinds:
            pilot.until(lambda: not root.waiting, 120)
            if kind == "proxy":
                workflow.make_quick(lambda share: None)
            rows.append({"file": kind, **_slide(pilot, root, count)})
        pilot.close()
        for side in workflow.sides:
            side.cameras.close()
    return rows


def _slide(pilot, root, count: int) -> dict:
    rng = np.random.default_rng(2)
    pictures = [panel.ids.picture for panel in root.panels]
    axis = root.ids.axis
    first, true = [], []
    for at in rng.uniform(axis.view.left + 0.5, -0.5, count):
        before, start = [picture._rgb for picture in pictures], time.perf_counter()
        axis.on_value(float(at))
        pilot.until(lambda: all(picture._rgb is not old for picture, old in zip(pictures, before)), 120)
        pilot.frames(1)  # and it is drawn
        first.append(1000 * (time.perf_counter() - start))
        pilot.until(lambda: not root.waiting, 120)
        true.append(1000 * (time.perf_counter() - start))
    steps = {}
    for key, name in (("right", "next"), ("left", "previous")):
        took = []
        for _ in range(20):
            before, start = pictures[0]._rgb, time.perf_counter()
            root.press(key)
            pilot.until(lambda: pictures[0]._rgb is not before and not root.waiting, 120)
            took.append(1000 * (time.perf_counter() - start))
        steps[name] = told(took)
    return {"first picture": told(first), "true picture": told(true), **steps, "drag": _drag(pilot, root, pictures[0])}


def _drag(pilot, root, picture) -> dict:
    left, start = root.ids.axis.view.left + 0.5, time.perf_counter()
    changes, shown = [start], picture._rgb
    while (now := time.perf_counter() - start) < 2.0:
        root.ids.axis.on_value(left + (-0.5 - left) * now / 2.0)
        pilot.frames(1)
        if picture._rgb is not shown:
            shown = picture._rgb
            changes.append(time.perf_counter())
    gaps = np.diff([*changes, time.perf_counter()])
    pilot.until(lambda: not root.waiting, 120)
    return {
        "pictures_a_second": round((len(changes) - 1) / 2.0, 1),
        "longest_wait_ms": round(1000 * float(gaps.max()), 0),
    }


def main(words=None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--clips", type=Path, help="folder where clips are kept for another time (default: a temporary one)"
    )
    parser.add_argument("--only", default=",".join(CLIPS), help="which clips")
    parser.add_argument("--count", type=int, default=40, help="random places each")
    parser.add_argument("--files", default="original,proxy", help="with --screen: which of the two")
    parser.add_argument("--screen", action="store_true", help="through the compare screen instead; needs a display")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as spare:
        folder = args.clips or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        rows = (
            on_screen(make_clip("30", folder), 40.0, args.count, args.files.split(","))
            if args.screen
            else code_rows(args.only.split(","), folder, args.count)
        )
    if args.json:
        print(json.dumps({"target_ms": TARGET_MS, "load": os.getloadavg()[0], "rows": rows}, indent=1))
        return 0
    for row in rows:
        print(
            " ".join(f"{row[key]}" for key in ("clip", "file") if key in row)
            + (f", made in {row['made_in_s']} s" if "made_in_s" in row else "")
            + (f", {row['mbytes']} MB" if "mbytes" in row else "")
        )
        for name, one in row.items():
            if isinstance(one, dict):
                print(f"  {name:>14}: " + ", ".join(f"{key} {value:g}" for key, value in one.items()))
    print(f"wanted: a median under {TARGET_MS:g} ms in the proxy; load {os.getloadavg()[0]:.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
