"""How long the report of a campaign takes and how big it is: 50 runs with sound and a camera.

    python tests/bench/report.py [--json] [--height 360]
    python tests/bench/report.py --flights 200 --runs 100       # 10, 50 and 200 flights without sound: ratios

With `--flights`: the verb on made campaigns (`campaigns.py`), in a process of its own, reduction included.
Processor time may grow at most a quarter faster than the number of flights, peak memory by 60 MB from 10 to
200 flights, and the page stays below what is promised.

Without: the campaign is the demo's calls and sound, flown twice over, with a synthetic camera. Figures are
given in seconds of this machine and as shares of what the project promises (20 s, 15 MB, for 40
runs on two cores), the reduction included, and against a yardstick: the same sounds encoded by themselves, in this run.
"""

import argparse
import json
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

import av
import numpy as np
from campaigns import costs, kept, sizes_to
from report_campaign import UTC, heard

from logger_app.io.resources import data_dir
from logger_app.io.sound import encode_opus, read_sound_file
from logger_app.logstore import codec
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.store import Journal
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.workflows import campaign as flow
from logger_app.workflows.report import write_report

PROMISED_S, PROMISED_BYTES, PROMISED_RUNS = 20.0, 15_000_000, 40


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--height", type=int, default=360, help="of the camera's picture [px] (default 360)")
    parser.add_argument("--flights", type=int, help="a made campaign of so many flights, without sound, instead")
    parser.add_argument("--runs", type=int, default=100, help="of each flight, with --flights")
    args = parser.parse_args()
    if args.flights:
        return long_campaigns(args.flights, args.runs)
    with tempfile.TemporaryDirectory() as name:
        folder = build(Path(name) / "campaign", args.height)
        _, flights, _ = flow.reduce_all(folder)
        began, began_cpu = time.perf_counter(), time.process_time()
        page = write_report(folder, Path(name) / "report", pdf=True)
        took_s, cpu_s = time.perf_counter() - began, time.process_time() - began_cpu
        yardstick_s = encoding_alone_s(sum(len(r.calls) for d in flights for r in d.runs.runs))
        result = {
            "runs": sum(len(d.runs.runs) for d in flights),
            "calls": sum(len(r.calls) for d in flights for r in d.runs.runs),
            "camera_height_px": args.height,
            "took_s": round(took_s, 2),
            "processor_s": round(cpu_s, 2),
            "share_of_promised_time": round(took_s / PROMISED_S, 3),
            "page_bytes": page.stat().st_size,
            "share_of_promised_size": round(page.stat().st_size / PROMISED_BYTES, 3),
            "times_the_sound_alone": round(took_s / yardstick_s, 2),
            "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        }
    if args.json:
        print(json.dumps(result, indent=1))
    else:
        print("\n".join(f"{name:26} {value}" for name, value in result.items()))
    kept = took_s <= PROMISED_S and result["page_bytes"] <= PROMISED_BYTES and result["runs"] >= PROMISED_RUNS
    return 0 if kept else 1


def long_campaigns(flights: int, runs: int) -> int:
    verbs = {"report": ("report", "CAMPAIGN", "-o", "OUT")}
    result = costs(sizes_to(flights), runs, verbs, tell=lambda text: print(text, file=sys.stderr))
    print(json.dumps(result, indent=1))
    small = max(size["report"]["page_bytes"] for size in result["sizes"]) <= PROMISED_BYTES
    return 0 if small and kept(result, "report") else 1


def encoding_alone_s(clips: int) -> float:
    pcm = (8000 * np.random.default_rng(1).normal(size=32_000)).clip(-32768, 32767).astype(np.int16)
    began = time.perf_counter()
    for _ in range(clips):
        encode_opus(pcm, effort=1)
    return time.perf_counter() - began


def build(folder: Path, height: int) -> Path:
    """The demo's two flights, each flown twice without landing between."""
    source = data_dir("demo_sessions") / "sparrow_cuffs"
    (folder / "flights").mkdir(parents=True)
    shutil.copy(source / "inputs" / "campaign.toml", folder)
    for flight in json.loads((source / "expected" / "truth.json").read_text("utf-8"))["flights"]:
        pcm = read_sound_file(source / "inputs" / f"{flight['flight']}.opus")
        length_s = len(pcm) / 16_000
        calls = [
            call | {"start_s": call["start_s"] + again * length_s, "end_s": call["end_s"] + again * length_s}
            for again in (0, 1)
            for call in flight["calls"]
        ]
        flight_dir = folder / "flights" / flight["flight"]
        with Journal.create(
            flight_dir, FlightInfo(id=flight["flight"], configuration=flight["configuration"])
        ) as journal:
            journal.append(codec.call_row(heard(k, call), UTC) for k, call in enumerate(calls, 1))
            with SegmentWriter(flight_dir, journal) as sound:
                for _ in range(2):
                    sound.write(pcm)
            film(flight_dir / "media" / "wing.mp4", 2 * length_s, height)
            body = {"file": "media/wing.mp4", "camera": "wing", "duration_s": 2 * length_s}
            journal.append(
                [
                    JournalRow(id="m1", flight_ns=0, utc=UTC, kind=RowKind.MEDIA, body=body),
                    codec.clock_map_row(ClockMap(source="wing", offset_s=0.0, valid_to_s=2 * length_s), UTC, "k1"),
                ]
            )
    return folder


def film(path: Path, seconds: float, height: int) -> None:
    """Ten pictures a second of moving grain over bars, a key frame a second."""
    path.parent.mkdir()
    width = height * 16 // 9
    rng = np.random.default_rng(7)
    base = np.broadcast_to((np.linspace(40, 200, width) // 20 * 20)[None, :, None], (height, width, 3)).astype(np.uint8)
    grain = rng.integers(0, 40, (16, height, width, 1), dtype=np.uint8)
    with av.open(str(path), "w") as box:
        picture = box.add_stream("libx264", rate=10, options={"preset": "ultrafast", "g": "10", "crf": "28"})
        picture.width, picture.height, picture.pix_fmt = width, height, "yuv420p"
        pictures = [av.VideoFrame.from_ndarray(base + one, format="rgb24").reformat(format="yuv420p") for one in grain]
        for k in range(int(10 * seconds)):
            frame = pictures[k % 16]
            frame.pts = k
            box.mux(picture.encode(frame))
        box.mux(picture.encode(None))


if __name__ == "__main__":
    sys.exit(main())
