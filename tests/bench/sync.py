"""How well cameras are put on the flight clock, on made pairs of microphones. Prints tables; asserts nothing.

    python tests/bench/sync.py [--trials 200] [--minutes 6] [--long] [--seek] [--jobs N] [--json]

Each pair shares bursts of shaped noise (what is said), heard through two microphones with their own
response and echo; engine and wind are independent at each. A quarter of the trials have no common
sound. `--long` times one pair of 30 minutes, `--seek` the frames of a video.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.signal import butter, fftconvolve, firwin2, sosfilt

from logger_app.sync.align import align

RATE = 16_000
SNRS_DB = (10, 5, 0, -5)


def bursts(seconds: float, rng) -> np.ndarray:
    """What is said: now and then, now more, now less."""
    sound = np.zeros(round(seconds * RATE), np.float32)
    band = butter(2, [300, 3000], "band", fs=RATE, output="sos")
    at = 0.0
    while (at := at + rng.exponential(5 if rng.random() < 0.8 else 25) + 0.6) < seconds - 2:
        n = round(rng.uniform(0.4, 1.5) * RATE)
        shape = np.abs(np.sin(np.linspace(0, rng.uniform(2, 6) * np.pi, n))) ** 0.5
        sound[round(at * RATE) :][:n] += (sosfilt(band, rng.standard_normal(n)) * shape * rng.uniform(0.5, 1.5)).astype(np.float32)
    return sound


def microphone(sound: np.ndarray, rng) -> np.ndarray:
    """Response within a few decibels, and the echoes of a cabin."""
    gain = 10 ** ((np.array([-30, -6, 0, 0, 0, -3, -12, -30]) + rng.uniform(-5, 5, 8)) / 20)
    shape = firwin2(201, [0, 150, 400, 1000, 2000, 3000, 5000, 8000], gain, fs=RATE)
    echo = np.zeros(960)
    echo[0] = 1
    k = rng.integers(10, 960, 30)
    echo[k] += rng.standard_normal(30) * 0.5 * np.exp(-k / 190)
    return fftconvolve(sound, np.convolve(shape, echo)[100:], "full")[: len(sound)].astype(np.float32)


def engine(n: int, rng) -> np.ndarray:
    """Orders of a firing rate that wanders, and wind."""
    t = np.arange(n, dtype=np.float64) / RATE
    phase = 2 * np.pi * np.cumsum(rng.uniform(70, 90) + 4 * np.sin(t / rng.uniform(15, 30)) + np.cumsum(rng.standard_normal(n)) * 2e-4) / RATE
    sound = sum((np.cos(k * phase + rng.uniform(0, 6)) / k**0.7).astype(np.float32) for k in range(1, 8))
    sound += 1.2 * rng.standard_normal(n).astype(np.float32)
    return sound / sound.std()


def pair(minutes: float, offset_s: float, drift_ppm: float, snr_db: float, seed: int, common: bool = True):
    """Flight and camera: ``flight_s = offset_s + camera_s * (1 + drift_ppm * 1e-6)``."""
    rng = np.random.default_rng(seed)
    lead, n = abs(offset_s) + 5, round(minutes * 60 * RATE)
    said = bursts(minutes * 60 + 2 * lead, rng)
    loud = said[np.abs(said) > 0.05].std() * 10 ** (-snr_db / 20)
    flight = microphone(said, rng)[round(lead * RATE) :][:n]
    other = microphone(said if common else bursts(minutes * 60 + 2 * lead, rng), rng)
    at = (lead + offset_s + np.arange(n) / RATE * (1 + drift_ppm * 1e-6)) * RATE
    camera = np.interp(at, np.arange(len(other)), other)
    pcm = [x + loud * engine(n, rng) for x in (flight, camera)]
    return [np.clip(np.round(x * 2500 / x.std()), -32768, 32767).astype(np.int16) for x in pcm]


def trial(k: int, minutes: float) -> dict:
    """One pair: what was there, what was found."""
    rng = np.random.default_rng(1000 + k)
    snr_db = SNRS_DB[k % 4]
    common = k % 4 != (k // 4) % 4
    length_s = minutes * 60
    offset_s, drift_ppm = rng.uniform(-0.4, 0.4) * length_s, rng.uniform(-100, 100)
    flight, camera = pair(minutes, offset_s, drift_ppm, snr_db, 5000 + k, common)
    began = time.perf_counter()
    found = align(flight, camera)
    row = {"snr_db": snr_db, "common": common, "accepted": found.accepted, "s": time.perf_counter() - began}
    if found.accepted:
        both = np.array([max(0.0, -offset_s), min(length_s, length_s - offset_s)])
        error = found.offset_s - offset_s + (found.drift_ppm - drift_ppm) * 1e-6 * both
        row |= {"error_ms": float(1000 * np.abs(error).max()), "drift_error_ppm": abs(found.drift_ppm - drift_ppm), "u_ms": 1000 * found.u_s}
    return row


def table(rows: list[dict]) -> list[dict]:
    """Rows by signal to noise ratio and whether there was common sound."""
    made = []
    for common in (True, False):
        for snr_db in SNRS_DB:
            these = [r for r in rows if (r["common"], r["snr_db"]) == (common, snr_db)]
            errors = [r["error_ms"] for r in these if r["accepted"]]
            made.append(
                {
                    "common": common, "snr_db": snr_db, "n": len(these), "accepted": sum(r["accepted"] for r in these),
                    "within_20_ms": sum(e < 20 for e in errors), "worst_ms": max(errors, default=0.0), "over_50_ms": sum(e > 50 for e in errors),
                    "worst_drift_ppm": max((r["drift_error_ppm"] for r in these if r["accepted"]), default=0.0),
                    "mean_s": float(np.mean([r["s"] for r in these])) if these else 0.0,
                }  # fmt: skip
            )
    return made


def long_pair() -> dict:
    """Time and memory of one pair of 30 minutes, memory above what the sounds themselves take."""
    flight, camera = pair(30, 640.0, -80, 0, 77)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.perf_counter()
    found = align(flight, camera)
    error_ms = 1000 * max(abs(found.offset_s - 640 + (found.drift_ppm + 80) * 1e-6 * t) for t in (0.0, 1160.0)) if found.accepted else None
    return {
        "minutes": 30, "s": time.perf_counter() - began, "accepted": found.accepted, "error_ms": error_ms,
        "peak_growth_mb": (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024, "sounds_mb": 2 * flight.nbytes / 2**20,
    }  # fmt: skip


def seeks() -> dict:
    """Random seeks and steps back at 1080p: the camera's own file (a key picture each second) and its proxy."""
    from logger_app.sync.video_io import VideoFrames, make_proxy

    with tempfile.TemporaryDirectory() as name:
        original = Path(name) / "camera.mp4"
        source = ["-f", "lavfi", "-i", "testsrc2=s=1920x1080:r=30:d=30", "-g", "30", "-c:v", "libx264", "-preset", "veryfast", original]
        subprocess.run(["ffmpeg", "-v", "error", "-y", *source], check=True, stdin=subprocess.DEVNULL)
        began = time.perf_counter()
        proxy = make_proxy(original, Path(name) / "proxy.mp4")
        made = {"proxy_s_per_minute": 2 * (time.perf_counter() - began), "proxy_mb_per_minute": 2 * proxy.stat().st_size / 2**20}
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
                made |= {f"{what}_seek_ms_median": 1000 * float(np.median(took)), f"{what}_back_ms": 100 * (time.perf_counter() - start)}
        return made


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=6.0)
    parser.add_argument("--long", action="store_true")
    parser.add_argument("--seek", action="store_true", help="only time seeks at 1080p")
    parser.add_argument("--jobs", type=int, default=1, help="processes; times are then not those of a quiet machine")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    if args.seek:
        print(json.dumps(seeks(), indent=1))
        return 0
    if args.jobs > 1:
        with multiprocessing.Pool(args.jobs) as pool:
            rows = table(pool.starmap(trial, [(k, args.minutes) for k in range(args.trials)], chunksize=1))
    else:
        rows = table([trial(k, args.minutes) for k in range(args.trials)])
    long = long_pair() if args.long else None
    if args.json:
        json.dump({"rows": rows, "long": long}, sys.stdout, indent=1)
        return 0
    print("common   dB    n  accepted  within 20 ms  worst ms  over 50 ms  worst ppm  s each")
    for r in rows:
        print(
            f"{r['common']!s:6} {r['snr_db']:4d} {r['n']:4d} {r['accepted']:9d} {r['within_20_ms']:13d} {r['worst_ms']:9.2f} {r['over_50_ms']:11d}"
            f" {r['worst_drift_ppm']:10.2f} {r['mean_s']:7.2f}"
        )
    if long:
        print(long)
    return 0


if __name__ == "__main__":
    sys.exit(main())
