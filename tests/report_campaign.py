"""The demo's campaign as calls that were heard, with a hum for sound and one camera: for the report's verbs."""

import json
import shutil
from pathlib import Path

import av
import numpy as np

from logger_app.io.resources import data_dir
from logger_app.logstore import codec
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.units import s_to_ns

UNTIL_S = 215.0  # two points of the demo's four are enough here
UTC = "2027-04-11T08:00:00Z"
OFFSET_S = -3.5


def make_campaign(folder: Path) -> Path:
    """The demo's campaign with its true calls as heard, a hum for sound and one camera."""
    source = data_dir("demo_sessions") / "sparrow_cuffs"
    (folder / "flights").mkdir(parents=True)
    shutil.copy(source / "inputs" / "campaign.toml", folder)
    for flight in json.loads((source / "expected" / "truth.json").read_text("utf-8"))["flights"]:
        flight_dir = folder / "flights" / flight["flight"]
        calls = [call for call in flight["calls"] if call["end_s"] < UNTIL_S]
        info = FlightInfo(id=flight["flight"], configuration=flight["configuration"], started_utc=UTC)
        with Journal.create(flight_dir, info) as journal:
            journal.append(codec.call_row(heard(k, call), UTC) for k, call in enumerate(calls, 1))
            seconds = int(calls[-1]["end_s"]) + 6
            with SegmentWriter(flight_dir, journal) as sound:
                hum = (2000 * np.sin(np.arange(16000) * 0.3)).astype(np.int16)
                for _ in range(seconds):
                    sound.write(hum)
            film(flight_dir / "media" / "wing left.mp4", seconds)
            journal.append(camera_rows(seconds))
    return folder


def heard(k, call):
    return HeardCall(
        id=f"c{k:06}",
        start_ns=s_to_ns(call["start_s"]),
        end_ns=s_to_ns(call["end_s"]),
        kind=CallKind(call["kind"]),
        name=call["name"],
        value=call["value"],
        unit="kt" if call["kind"] == "airspeed" else None,
        words=call["words"],
        posterior=0.95,
        engine="told",
        pack="en 1",
    )


def film(path: Path, seconds: int) -> None:
    path.parent.mkdir()
    with av.open(str(path), "w") as box:
        picture = box.add_stream("libx264", rate=4, options={"preset": "ultrafast", "g": "20"})
        picture.width, picture.height, picture.pix_fmt = 160, 90, "yuv420p"
        for k in range(4 * seconds):
            grey = np.full((90, 160, 3), 30 + (k // 4) // 3, np.uint8)
            frame = av.VideoFrame.from_ndarray(grey, format="rgb24")
            frame.pts = k
            box.mux(picture.encode(frame))
        box.mux(picture.encode(None))


def camera_rows(seconds):
    body = {
        "file": "media/wing left.mp4",
        "camera": "wing left",
        "sha256": "",
        "chapter": 1,
        "duration_s": float(seconds),
        "fps": 4,
    }
    clock_map = ClockMap(source="media/wing left.mp4", offset_s=OFFSET_S, u_s=0.002, valid_to_s=float(seconds))
    yield JournalRow(id="m000001", flight_ns=0, utc=UTC, kind=RowKind.MEDIA, body=body)
    yield codec.clock_map_row(clock_map, UTC, "k000001")
