"""How well cameras are put on the flight clock, on made flights of real length. Prints tables; asserts nothing.

    python tests/bench/sync.py [--trials 200] [--first 0] [--jobs 2] [--keep ROWS.jsonl] [--json]
    python tests/bench/sync.py --files 12        # through camera files (H.264, AAC) and the verb
    python tests/bench/sync.py --long            # time and memory of the verb on one pair of 30 minutes
    python tests/bench/sync.py --seek            # frames at 1080p

A trial is a flight of 20 to 40 minutes and a camera of 5 to 30, begun within 20 minutes of it, its clock off by up to
100 ppm, in up to four chapters with gaps; noise from 20 to -5 dB at each microphone; every fourth without common
sound (`cockpits.py`). A case is one chapter. `--keep` writes each trial as it ends and does not repeat those it finds
there. A case is *solvable* when, laid on the flight by the truth, at least four of the sounds that both microphones
heard stand out of the noise of both (`cockpits.heard_in_both`, which knows nothing of the method). The error is the
largest over the part of the chapter that the flight was recorded in.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from cockpits import RATE, SOLVABLE_SOUNDS, Cockpit, heard_in_both, made, sounds

from logger_app.sync.link_io import _Camera
from logger_app.sync.media_io import CameraFile
from logger_app.sync.onsets import onset_envelope

# Overlap by which the drift is counted [min].
DRIFT_BINS_MIN = ((0, 1), (1, 2), (2, 4), (4, 8), (8, 16), (16, 31))


class _Held:
    """Chapters in memory, where `link_io` looks for files."""

    def __init__(self, sounds_of: dict[Path, np.ndarray]):
        self.sounds_of = sounds_of

    def camera(self, path: Path) -> tuple[np.ndarray, float, str]:
        """As `SoundStore.camera`: sound, where it begins, what is wrong with it."""
        return self.sounds_of[path], 0.0, ""


def cut(cockpit: Cockpit, camera: np.ndarray) -> list[np.ndarray]:
    """The camera's sound, chapter by chapter."""
    return [camera[round(begin * RATE) : round(end * RATE)] for begin, end in cockpit.chapters]


def trial(k: int, longest_min: float = 30.0) -> list[dict]:
    """One made flight and camera: a row for each chapter, what was there and what was found."""
    cockpit = made(k, shortest_min=min(5.0, longest_min / 2), longest_min=longest_min)
    flight, camera, spans = sounds(cockpit)
    parts = cut(cockpit, camera)
    files = [
        CameraFile(
            path=Path(f"wing_{j}.mp4"),
            duration_s=len(part) / RATE,
            width=1920,
            height=1080,
            fps=30,
            codec="h264",
            sound_hz=48_000,
        )
        for j, part in enumerate(parts)
    ]
    began, used = time.perf_counter(), time.process_time()
    envelope = onset_envelope(flight[a : a + 60 * RATE] for a in range(0, len(flight), 60 * RATE))
    run = _Camera(_Held({file.path: part for file, part in zip(files, parts)}), flight, envelope, files, ())
    for j in range(len(files)):
        run.place(j, lambda share: None)
    run.settle()
    took = {"s": time.perf_counter() - began, "cpu_s": time.process_time() - used}
    rows = []
    for j, found in enumerate(run.found):
        heard = 0 if cockpit.other else heard_in_both(cockpit, j, flight, parts[j], spans)
        rows.append(row(cockpit, j, heard, found) | {"trial": k} | took)
    return rows


def row(cockpit: Cockpit, j: int, heard: int, found) -> dict:
    """What was there and what was found, for one chapter."""
    first_s, last_s = cockpit.overlap_s(j)
    made_here = {
        "chapter": j,
        "chapters": len(cockpit.chapters),
        "other": cockpit.other,
        "snr_db": (cockpit.flight_snr_db, cockpit.camera_snr_db),
        "overlap_s": max(0.0, last_s - first_s),
        "length_s": cockpit.chapters[j][1] - cockpit.chapters[j][0],
        "heard": heard,
        "solvable": heard >= SOLVABLE_SOUNDS,
        "accepted": found.accepted,
        "why": found.why,
        "evidence": dict(found.evidence),
    }
    if found.accepted:
        at_s = (
            np.array([max(first_s, found.from_s), min(last_s, found.to_s)])
            if last_s > first_s
            else np.array([0.0, made_here["length_s"]])
        )
        errors = found.offset_s - cockpit.chapter_offset_s(j) + (found.drift_ppm - cockpit.drift_ppm) * 1e-6 * at_s
        made_here |= {
            "error_ms": float(1000 * np.abs(errors).max()),
            "u_ms": 1000 * found.u_s,
            "drift_error_ppm": abs(found.drift_ppm - cockpit.drift_ppm),
        }
    return made_here


def summary(rows: list[dict]) -> dict:
    """The figures that the method is judged by."""
    common, without = [r for r in rows if not r["other"]], [r for r in rows if r["other"]]
    solvable = [r for r in common if r["solvable"]]
    taken = [r for r in common if r["accepted"]]
    errors = sorted(r["error_ms"] for r in taken)
    right = [r for r in solvable if r["accepted"] and r["error_ms"] < 20]
    refused = [r for r in solvable if not r["accepted"]]
    quantiles = {f"{q:g} %": float(np.percentile(errors, q)) if errors else None for q in (50, 90, 95, 99, 100)}
    seconds = [r["s"] for r in rows if r["chapter"] == 0]
    return {
        "trials": len({r["trial"] for r in rows}),
        "cameras_without_common_sound": len({r["trial"] for r in without}),
        "cases": len(rows),
        "common": len(common),
        "solvable": len(solvable),
        "solvable_right_under_20_ms": len(right),
        "solvable_right_pct": 100 * len(right) / len(solvable) if solvable else None,
        "solvable_refused": len(refused),
        "not_solvable_accepted": sum(not r["solvable"] for r in taken),
        "accepted": len(taken),
        "error_ms": quantiles,
        "wrong_over_50_ms": sum(e > 50 for e in errors) + sum(r["accepted"] for r in without),
        "accepted_without_common_sound": sum(r["accepted"] for r in without),
        "error_over_3_u": sum(r["error_ms"] > 3 * r["u_ms"] for r in taken),
        "median_s": float(np.median(seconds)),
        "most_s": max(seconds),
        "refused": [
            {key: r[key] for key in ("trial", "chapter", "snr_db", "overlap_s", "heard", "why", "evidence")}
            for r in refused
        ],
    }


def drifts(rows: list[dict]) -> list[dict]:
    """Error of the drift by how long camera and flight were recorded together."""
    made_here = []
    for low, high in DRIFT_BINS_MIN:
        errors = [
            r["drift_error_ppm"] for r in rows if r["accepted"] and not r["other"] and low <= r["overlap_s"] / 60 < high
        ]
        if errors:
            at = [float(np.percentile(errors, q)) for q in (50, 95, 100)]
            made_here.append(
                {
                    "minutes": f"{low}-{high}",
                    "n": len(errors),
                    "median_ppm": at[0],
                    "p95_ppm": at[1],
                    "worst_ppm": at[2],
                }
            )
    return made_here


def by_noise(rows: list[dict]) -> list[dict]:
    """Solvable cases by the noisier of the two microphones."""
    made_here = []
    for snr_db in sorted({min(r["snr_db"]) for r in rows}, reverse=True):
        these = [r for r in rows if r["solvable"] and min(r["snr_db"]) == snr_db]
        errors = [r["error_ms"] for r in these if r["accepted"]]
        made_here.append(
            {
                "snr_db": snr_db,
                "solvable": len(these),
                "right": sum(e < 20 for e in errors),
                "worst_ms": max(errors, default=0.0),
            }
        )
    return made_here


# ---- through files and the verb ----


def write_flight(folder: Path, sound: np.ndarray) -> Path:
    """A flight folder that holds this sound."""
    from logger_app.logstore.audio_io import SegmentWriter
    from logger_app.logstore.store import Journal
    from logger_app.records.journal import FlightInfo

    with Journal.create(folder, FlightInfo(id=folder.name, configuration=None)) as journal:
        with SegmentWriter(folder, journal) as writer:
            for a in range(0, len(sound), 60 * RATE):
                writer.write(sound[a : a + 60 * RATE])
    return folder


def write_camera(path: Path, sound: np.ndarray) -> Path:
    """A camera file: H.264 pictures of one grey, AAC sound at 48 kHz."""
    held = path.with_suffix(".wav")
    with wave.open(str(held), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes(sound.astype("<i2").tobytes())
    picture = ["-f", "lavfi", "-i", f"color=c=gray:s=320x180:r=10:d={len(sound) / RATE}"]
    coded = [
        "-map",
        "0:v",
        "-map",
        "1:a",
        "-c:v",
        "libx264",
        "-preset",
        "ultrafast",
        "-c:a",
        "aac",
        "-b:a",
        "96k",
        "-ar",
        "48000",
    ]
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", *picture, "-i", held, *coded, path], check=True, stdin=subprocess.DEVNULL
    )
    held.unlink()
    return path


def verb(folder: Path, flight: np.ndarray, parts: list[np.ndarray]) -> tuple[list[dict], float, float]:
    """`kneecall sync --json` on files: its videos, wall time [s] and largest memory [MB] of the process."""
    files = [write_camera(folder / f"wing_{j}.mp4", part) for j, part in enumerate(parts)]
    flight_dir = write_flight(folder / "day1", flight)
    # Not ru_maxrss: that of a new program begins with what the one that started it has used.
    code = (
        "import sys;from logger_app.__main__ import main\ntry: main(sys.argv[1:])\n"
        "finally: print(next(x.split()[1] for x in open('/proc/self/status') if x.startswith('VmHWM')), file=sys.stderr)"
    )
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, "sync", str(flight_dir), *map(str, files), "--json"],
        check=False,
        capture_output=True,
        text=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    took = time.perf_counter() - began
    return json.loads(done.stdout)["videos"], took, int(done.stderr.split()[-1]) / 1024


class _Told:
    """What the verb printed, with the names that `row` reads."""

    def __init__(self, video: dict):
        self.accepted, self.why, self.evidence = video["accepted"], video["why"], tuple(video["evidence"].items())
        self.offset_s, self.drift_ppm = video["offset_s"], video["drift_ppm"]
        self.u_s = video["u_ms"] and video["u_ms"] / 1000
        self.from_s, self.to_s = video["valid_from_s"], video["valid_to_s"]


def file_trial(k: int, longest_min: float = 30.0) -> list[dict]:
    """As `trial`, through a flight folder, camera files and the verb."""
    cockpit = made(k, shortest_min=min(5.0, longest_min / 2), longest_min=longest_min)
    flight, camera, spans = sounds(cockpit)
    parts = cut(cockpit, camera)
    with tempfile.TemporaryDirectory() as name:
        videos, took, peak_mb = verb(Path(name), flight, parts)
    rows = []
    for j, video in enumerate(videos):
        heard = 0 if cockpit.other else heard_in_both(cockpit, j, flight, parts[j], spans)
        rows.append(row(cockpit, j, heard, _Told(video)) | {"trial": k, "s": took, "peak_mb": peak_mb})
    return rows


def long_pair(minutes: float = 30.0) -> dict:
    """Time and memory of the verb on one pair of 30 minutes, noise as loud as what is said: files to journal."""
    cockpit = Cockpit(
        seed=77,
        flight_s=minutes * 60,
        camera_s=minutes * 60,
        offset_s=640.0 * minutes / 30,
        drift_ppm=-80.0,
        flight_snr_db=0,
        camera_snr_db=0,
        chapters=((0.0, minutes * 60),),
    )
    flight, camera, spans = sounds(cockpit)
    with tempfile.TemporaryDirectory() as name:
        videos, took, peak_mb = verb(Path(name), flight, [camera])
    found = row(cockpit, 0, heard_in_both(cockpit, 0, flight, camera, spans), _Told(videos[0]))
    return {"minutes": minutes, "s": took, "peak_mb": peak_mb} | {
        key: found.get(key) for key in ("accepted", "error_ms", "drift_error_ppm", "evidence")
    }


def seeks() -> dict:
    """Random seeks and steps back at 1080p: the camera's own file (a key picture each second) and its proxy."""
    from logger_app.sync.video_io import VideoFrames, make_proxy

    with tempfile.TemporaryDirectory() as name:
        original = Path(name) / "camera.mp4"
        source = [
            "-f",
            "lavfi",
            "-i",
            "testsrc2=s=1920x1080:r=30:d=30",
            "-g",
            "30",
            "-c:v",
            "libx264",
            "-preset",
            "veryfast",
            original,
        ]
        subprocess.run(["ffmpeg", "-v", "error", "-y", *source], check=True, stdin=subprocess.DEVNULL)
        began = time.perf_counter()
        proxy = make_proxy(original, Path(name) / "proxy.mp4")
        made_here = {
            "proxy_s_per_minute": 2 * (time.perf_counter() - began),
            "proxy_mb_per_minute": 2 * proxy.stat().st_size / 2**20,
        }
        rng = np.random.default_rng(1)
        for what, path in (("original", original), ("proxy", proxy)):
            with VideoFrames(path) as video:
                took = []
                for at_s in rng.uniform(0, 29, 40):
                    start = time.perf_counter()
                    video.frame_at(at_s)
                    took.append(time.perf_counter() - start)
                start = time.perf_counter()
                for _ in range(10):
                    video.step(-1)
                made_here |= {
                    f"{what}_seek_ms_median": 1000 * float(np.median(took)),
                    f"{what}_back_ms": 100 * (time.perf_counter() - start),
                }
        return made_here


# ---- the run ----


def _trial(args: tuple[int, float, bool]) -> list[dict]:
    k, longest_min, files = args
    return file_trial(k, longest_min) if files else trial(k, longest_min)


def run_all(
    numbers: list[int], *, jobs: int = 1, longest_min: float = 30.0, files: bool = False, keep: Path | None = None
) -> list[dict]:
    """Rows of all trials; those in `keep` are not made again, each new one is added to it as it ends."""
    rows = [json.loads(line) for line in keep.read_text().splitlines()] if keep and keep.is_file() else []
    rows = [r for r in rows if r["trial"] in set(numbers)]
    there = {r["trial"] for r in rows}
    todo = [(k, longest_min, files) for k in numbers if k not in there]
    random.Random(0).shuffle(todo)  # a run that is cut short has then seen something of everything
    with multiprocessing.Pool(max(1, jobs), maxtasksperchild=1) as pool:
        for done in pool.imap_unordered(_trial, todo):
            rows += done
            if keep:
                with open(keep, "a") as out:
                    out.writelines(json.dumps(r) + "\n" for r in done)
            if sys.stderr.isatty():
                print(f"{len({r['trial'] for r in rows})} of {len(numbers)}", end="\r", file=sys.stderr)
    return sorted(rows, key=lambda r: (r["trial"], r["chapter"]))


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first trial, which is its seed")
    parser.add_argument("--only", type=int, nargs="+", help="these trials")
    parser.add_argument(
        "--minutes", type=float, default=30.0, help="longest camera; flights and offsets shrink with it"
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes; times are then not those of a quiet machine")
    parser.add_argument("--keep", type=Path, help="JSON lines, one a case; trials that are there are not repeated")
    parser.add_argument("--files", type=int, metavar="N", help="N trials through files and the verb")
    parser.add_argument("--long", action="store_true", help="only one pair of 30 minutes through the verb")
    parser.add_argument("--seek", action="store_true", help="only time seeks at 1080p")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    if args.seek or args.long:
        print(json.dumps(seeks() if args.seek else long_pair(), indent=1))
        return 0
    count = args.files or args.trials
    # Through files: spread over the trials, so that every pair of noises and other sounds come up.
    numbers = args.only or [args.first + (7 * k if args.files else k) for k in range(count)]
    rows = run_all(numbers, jobs=args.jobs, longest_min=args.minutes, files=bool(args.files), keep=args.keep)
    told = {"summary": summary(rows), "drift": drifts(rows), "by_noise": by_noise(rows)}
    if args.json:
        json.dump(told, sys.stdout, indent=1)
        return 0
    for key, value in told["summary"].items():
        if key != "refused":
            print(f"{key:32} {value if not isinstance(value, float) else round(value, 3)}")
    print("\nlaid together, min     n  drift error, ppm: median    95 %   worst")
    for r in told["drift"]:
        print(f"{r['minutes']:>18} {r['n']:5d} {r['median_ppm']:25.2f} {r['p95_ppm']:7.2f} {r['worst_ppm']:7.2f}")
    print("\nnoisier, dB  solvable  right  worst ms")
    for r in told["by_noise"]:
        print(f"{r['snr_db']:11d} {r['solvable']:9d} {r['right']:6d} {r['worst_ms']:9.2f}")
    if told["summary"]["refused"]:
        print("\nsolvable, but refused:")
        for r in told["summary"]["refused"]:
            print(
                f"  trial {r['trial']}.{r['chapter']} {r['snr_db']} dB, {r['overlap_s']:.0f} s together, {r['heard']} sounds in both: {r['why']} {r['evidence']}"
            )
    if args.files:
        print(f"\nlargest memory {max(r.get('peak_mb', 0) for r in rows):.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
