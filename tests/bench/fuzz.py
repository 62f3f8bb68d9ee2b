"""Coverage-guided fuzzing of everything that reads a file from outside.

    python tests/bench/fuzz.py --seconds 60 [--reader NAME ...] [--corpus DIR] [--json]

Needs the extra `fuzz` (atheris, which brings libFuzzer). Each reader runs in a process of its own that begins
with files of this repository and grows whatever reaches code not reached before. Of each file only this may come:
records, or an error of our own tree in a short sentence without control characters. It must not take more than
`MAX_S` of processor time or `MAX_GROWTH` of memory, touch a file outside the folder it lies in, leave one there,
run a program or open a socket. What breaks one of these is a finding: printed with its place and kept as a file.

`READERS` and `attempt` need no atheris: `tests/property/test_fuzz_corpus.py` replays what was found once.
FFmpeg and SQLite are native and not guided from inside; the code of ours around them is.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
import unicodedata
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CORPUS = ROOT / "tests" / "property" / "corpus"
DEMO = ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs"
# Of processor time for one file of at most MAX_BYTES, under instrumentation [s].
MAX_S = 4.0
# Of the largest memory so far, while one file is read [bytes].
MAX_GROWTH = 400_000_000
# Of address space on top of what the process has when it begins [bytes].
MAX_MEMORY = 3_000_000_000
MAX_BYTES = 40_000
# One sentence each, for as many faults at once as are shown.
LONGEST_LINE, LONGEST_MESSAGE = 4_500, 100_000


@dataclass(frozen=True)
class Reader:
    """What is read: under which name the file lies, how it is read, what to begin with."""

    file: str
    read: Callable[[Path], object]
    seeds: Callable[[], Sequence[bytes]]
    text: bool = True
    leaves: tuple[str, ...] = ()  # names that may appear beside the file: SQLite's own


class Finding(AssertionError):
    """The reader did what it must not."""


# ---- the oracle -------------------------------------------------------------------------------------

_STARTS_SOMETHING = (
    "socket.",
    "subprocess.",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.fork",
    "webbrowser.",
    "urllib.",
)
_NAMES_A_FILE = {
    "open": 0,
    "sqlite3.connect": 0,
    "os.rename": 1,
    "os.mkdir": 0,
    "os.link": 1,
    "os.symlink": 1,
    "os.truncate": 0,
}


class Watch:
    """Audit hook: while `folder` is set, what is opened or begun outside of it is kept in `seen`."""

    def __init__(self):
        self.folder: str | None = None
        self.seen: list[str] = []
        tempfile.gettempdir()  # tries folders out when it is first asked
        # What the program itself is made of may be read: modules that load late, packs, the time zones.
        made_of = (sys.prefix, sys.base_prefix, str(ROOT), os.path.dirname(os.__file__), *sys.path)
        self.ours = tuple(
            {os.path.realpath(p) + os.sep for p in made_of if p}
            | {"/usr/share/zoneinfo/", "/proc/", "/sys/", "/dev/null"}
        )
        sys.addaudithook(self)

    def __call__(self, event: str, args) -> None:
        if self.folder is None:
            return
        if event.startswith(_STARTS_SOMETHING):
            self.seen.append(f"{event} {args!r:.200}")
        elif event in _NAMES_A_FILE and isinstance(args[_NAMES_A_FILE[event]], (str, bytes)):
            name = os.fsdecode(args[_NAMES_A_FILE[event]]).removeprefix("file://").partition("?")[0]
            path = os.path.realpath(name)
            reads = event == "open" and not (args[2] or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            if not path.startswith(self.folder) and not (reads and (path + os.sep).startswith(self.ours)):
                self.seen.append(f"{event} {name!r}")


@lru_cache(maxsize=1)
def watch() -> Watch:
    """The one hook of this process; hooks cannot be taken away."""
    return Watch()


def attempt(reader: Reader, data: bytes, base: Path) -> None:
    """Read one file under the oracle.

    Parameters
    ----------
    reader : Reader
        What to read it as.
    data : bytes
        The file.
    base : Path
        An empty folder for it; emptied again.

    Raises
    ------
    Finding
        What came out is not what may come out; any other exception of the reader is one as well.
    """
    from logger_app.errors import LoggerError

    folder = base / "given"
    path = folder / reader.file
    path.parent.mkdir(parents=True)
    path.write_bytes(data)
    hook, began_s, high = watch(), time.process_time(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    hook.seen.clear()
    hook.folder = os.path.realpath(folder) + os.sep
    try:
        reader.read(path)
    except LoggerError as err:
        check_message(str(err).replace(str(folder), ""))
    finally:
        hook.folder = None
        took_s = time.process_time() - began_s
        grown = 1024 * (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - high)
        left = sorted(p.name for p in folder.rglob("*") if p.is_file() and p != path and p.name not in reader.leaves)
        shutil.rmtree(folder)
    if hook.seen:
        raise Finding(f"outside its folder: {hook.seen[0]}")
    if left:
        raise Finding(f"left behind: {left}")
    if took_s > MAX_S:
        raise Finding(f"took {took_s:.1f} s of processor time for {len(data)} bytes")
    if grown > MAX_GROWTH:
        raise Finding(f"took {grown / 1e6:.0f} MB for {len(data)} bytes")


def check_message(text: str) -> None:
    """A sentence a line, short, nothing in it that a terminal would obey.

    Parameters
    ----------
    text : str
        The error's text.

    Raises
    ------
    Finding
        It is not.
    """
    if not text.strip():
        raise Finding("an error that says nothing")
    obeyed = [c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cs")]
    if obeyed:
        raise Finding(f"the message holds {obeyed[0]!r}: {text!r:.300}")
    if len(text) > LONGEST_MESSAGE or max(map(len, text.split("\n"))) > LONGEST_LINE:
        raise Finding(f"a message of {len(text)} characters: {text!r:.300}")


# ---- campaign, packs --------------------------------------------------------------------------------


def _campaign(path: Path) -> None:
    from logger_app.plan.advice import advise
    from logger_app.plan.cards_io import missing_photos, read_campaign
    from logger_app.plan.summary import plan_document, plan_text

    campaign = read_campaign(path)
    missing_photos(path, campaign)
    advise(campaign)
    json.dumps(plan_document(campaign), default=str)
    plan_text(campaign)


def _pack(path: Path) -> None:
    from logger_app.hear.packs_io import load_pack
    from logger_app.hear.parse import parse_words

    parse_words(["on", "condition", "fifty", "eight"], load_pack(str(path)), None)


SMALL_PACK = b"""[pack]
name = "small"
language = "en"
version = "1"
title = "Small"
dictionary = "dictionary.txt"
[number.digit.words]
five = 5
six = 6
seven = 7
eight = 8
[number.airspeed]
rules = [{ say = "<digit> <digit>", times = [10, 1] }]
[airspeed]
low = 55
high = 58
say = ["<airspeed>", "[thats] <airspeed>"]
[[event]]
name = "buffet"
say = ["buffet", "(buffet|shaking) [now]"]
[[command]]
name = "mark"
say = ["mark"]
"""
DICTIONARY = b"""five F AY1 V
six S IH1 K S
seven S EH1 V AH0 N
eight EY1 T
buffet B AH1 F AH0 T
shaking SH EY1 K IH0 NG
now N AW1
mark M AA1 R K
thats DH AE1 T S
"""


def spoken_pack() -> bytes:
    """The small pack with its sounds in it."""
    lines = (line.partition(b" ") for line in DICTIONARY.splitlines())
    sounds = b"".join(b'%s = "%s"\n' % (word, re.sub(rb"\d", b"", phones)) for word, _, phones in lines)
    return SMALL_PACK.replace(b'dictionary = "dictionary.txt"\n', b"") + b"[pronounce]\n" + sounds


def _dictionary(path: Path) -> None:
    from logger_app.hear import packs_io

    pack = path.with_name("callouts.toml")
    pack.write_bytes(SMALL_PACK)
    packs_io._dictionary.cache_clear()
    try:
        packs_io.load_pack(str(pack))
    finally:
        pack.unlink()


TEAM = b"""buffet = ["breaking/B R EY K IH NG/", "(now|shaking) [thats]"]
mark = ["kia/K IY AH/"]
"""


def _team(path: Path) -> None:
    """The words of a team, in a campaign: a table's body."""
    from logger_app.hear.packs_io import load_pack
    from logger_app.plan.cards_io import read_campaign

    words = path.read_bytes()
    lines = (DEMO / "campaign.toml").read_bytes().split(b"[team.words]")
    rest = re.sub(rb"(?s)^.*?(?=\n\[)", b"", lines[1]) if len(lines) > 1 else b""
    path.write_bytes(lines[0] + b"\n[team.words]\n" + words + b"\n" + rest)
    pack = path.with_name("callouts.toml")  # a small one: the whole of English takes a second
    pack.write_bytes(spoken_pack())
    try:
        load_pack(str(pack), read_campaign(path))
    finally:
        pack.unlink()


# ---- tables, traces, transcripts ----------------------------------------------------------------------


def _trace(path: Path) -> None:
    from logger_app.reduce.trace_io import read_trace

    read_trace(path)


def _legs(path: Path) -> None:
    from logger_app.reduce.gps import calibration_point, calibration_tables
    from logger_app.reduce.legs_io import fragment, read_legs

    points = [calibration_point(legs) for legs in read_legs(path)]
    fragment(calibration_tables(points, "a file"), points)


@lru_cache(maxsize=1)
def _english():
    from logger_app.hear.packs_io import load_pack

    return load_pack("en")


def _transcript(path: Path) -> None:
    from logger_app.hear.sequence import read_sequence
    from logger_app.hear.transcript_io import read_transcript, transcript_end_s

    transcript_end_s(path)
    calls = read_transcript(path, _english())
    if path.suffix == ".csv":  # the same for all, and what takes the time
        read_sequence(calls)


@lru_cache(maxsize=1)
def made_calls():
    """A short approach as reviewed, with words that a table or a page could take for more than text."""
    from logger_app.records.calls import CallKind, HeardCall
    from logger_app.review.apply import apply_corrections

    names = (("on_condition", None), ("ias", 58.0), ("ias", 56.0), ("break", None))
    heard = [
        HeardCall(
            id=f"call-{k:04d}",
            start_ns=k * 10**9,
            end_ns=k * 10**9 + 10**8,
            words="=1+1 <b>",
            name=name,
            value=value,
            kind=CallKind.AIRSPEED if name == "ias" else CallKind.EVENT,
            unit="kt" if value else None,
        )
        for k, (name, value) in enumerate(names, 1)
    ]
    return apply_corrections(heard, (), "kt")


def _review_table(path: Path) -> None:
    from logger_app.review.check import Current, correct
    from logger_app.review.table import read_changes

    now = Current(calls=made_calls(), duration_ns=10**10)
    changes = read_changes(path.read_text("utf-8", "replace"), made_calls(), path.name, 10.0)
    for action, target, why, payload in (*changes.wanted, *(one for c in changes.conflicts for one in c.wanted)):
        correct(now, action, target or "new", id="fix", utc="2031-05-04T07:12:03Z", who="a pilot", why=why, **payload)


def _display(path: Path) -> None:
    from logger_app.ui.display_io import load_display

    load_display(path.parent)


# ---- flights --------------------------------------------------------------------------------------------


def rows_seed() -> list:
    """Kind and body of a row of each kind, as a small flight has them."""
    from logger_app.logstore import codec
    from logger_app.records.calls import Action, Alternative, CallKind, CaptureGap, Correction, HeardCall
    from logger_app.records.clocks import ClockMap
    from logger_app.records.journal import FlightInfo

    def call(k, kind, name, value=None, words=""):
        return HeardCall(
            id=f"call-{k:04d}",
            start_ns=k * 10**9,
            end_ns=k * 10**9 + 10**8,
            kind=kind,
            name=name,
            value=value,
            unit="kt" if kind is CallKind.AIRSPEED else None,
            words=words or name,
            posterior=0.9,
            alternatives=(Alternative(kind=kind, name=name, value=value, posterior=0.1),),
            word_times=(("a", k, k + 1),),
        )

    calls = [call(1, CallKind.EVENT, "on_condition")]
    calls += [call(k, CallKind.AIRSPEED, "ias", 62.0 - k) for k in range(2, 8)]
    calls += [
        call(8, CallKind.EVENT, "break"),
        call(9, CallKind.EVENT, "recovered"),
        call(10, CallKind.SETTING, "flap", 15.0),
    ]
    fix = Correction(
        id="fix-1", utc="", who="a", action=Action.SET, target="call-0002", payload=(("value", 57.0),), why="b"
    )
    info = FlightInfo(
        id="day1_baseline", configuration="baseline", loading_items=(("crew", 90.0),), fuel_l=50.0, who="a"
    )
    corners = [[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]
    return [
        ["flight", codec.info_to_body(info)],
        ["audio", {"file": "audio/0000.wav", "first_sample": 0, "samples": 16000, "rate_hz": 16000, "source": "x"}],
        ["step", {"step": "card", "point": "A1", "by": "touch"}],
        *(["call", codec.call_to_body(one)] for one in calls),
        ["proposal", {"call": "call-0003", "value": 57.0, "posterior": 0.8, "why": "falls too fast"}],
        ["second", {"call": "call-0003", "start_ns": 3, "heard": [codec.call_to_body(calls[2])], "engine": "x"}],
        ["gap", codec.gap_to_body(CaptureGap(start_ns=1, end_ns=2, why="x"))],
        [
            "verdict",
            {"run": "r1", "counts": True, "why": "", "entry_rate_kt_per_s": 1.0, "vs_ias_kt": 55.0, "event": "break"},
        ],
        ["correction", codec.correction_to_body(fix)],
        [
            "media",
            {"file": "cam.mp4", "sha256": "0" * 64, "camera": "cam", "chapter": 1, "duration_s": 9.0, "fps": 30.0},
        ],
        ["clock_map", codec.clock_map_to_body(ClockMap(source="cam.mp4", offset_s=1.0, evidence=(("a", 1.0),)))],
        ["mark", {"sample": 16000}],
        ["note", {"start_ns": 1, "end_ns": 2, "text": "a"}],
        [
            "tuft_grid",
            {"camera": "cam", "corners": corners, "span_pct": [10, 50, 90], "chord_pct": [20, 60], "who": "a"},
        ],
        [
            "tuft",
            {
                "camera": "cam",
                "frame_pts": 1,
                "station": "s1c1",
                "state": "separated",
                "ias_kt": 55.0,
                "who": "a",
                "proposed": False,
            },
        ],
        ["erased", {"files": ["audio/0009.wav"], "why": "x"}],
    ]


@lru_cache(maxsize=1)
def _empty_journal() -> bytes:
    import sqlite3

    from logger_app.logstore import schema

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.sqlite"
        connection = sqlite3.connect(path)
        for statement in schema.CREATE:
            connection.execute(statement)
        connection.commit()
        connection.close()
        return path.read_bytes()


def write_journal(path: Path, rows: Sequence) -> None:
    """A journal with these rows under right checksums, whatever their bodies are.

    Parameters
    ----------
    path : Path
        The file to make.
    rows : sequence of [kind, body]
        What stands in it; a body that is no object is stored as it is.
    """
    import sqlite3

    from logger_app.logstore import schema

    path.write_bytes(_empty_journal())
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = MEMORY")
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    for seq, (kind, body) in enumerate(rows, 1):
        own = body.get("id") if kind in ("call", "correction") and isinstance(body, dict) else None
        id = own if isinstance(own, str) and own.isprintable() else f"{kind}-{seq:04d}"
        at_ns = body.get("start_ns") if isinstance(body, dict) else 0
        facts = (seq, id, at_ns if type(at_ns) is int and abs(at_ns) < 2**63 else 0, "", kind, json.dumps(body))
        with suppress(sqlite3.IntegrityError, UnicodeEncodeError):
            connection.execute(schema.INSERT, (*facts, schema.checksum(*facts)))
    connection.execute("COMMIT")
    connection.close()


@lru_cache(maxsize=1)
def _demo_campaign() -> bytes:
    return (DEMO / "campaign.toml").read_bytes()


def use_flight(campaign_dir: Path, flight_dir: Path) -> None:
    """Everything that reads a flight, each for itself.

    Parameters
    ----------
    campaign_dir, flight_dir : Path
        The campaign's folder, and the flight's in it.

    Raises
    ------
    Exception
        What is no error of ours, at once; else, at the end, the first that is.
    """
    from logger_app.domain.tuft_grid import body_to_grid
    from logger_app.errors import LoggerError
    from logger_app.logstore.audio_io import read_sound
    from logger_app.logstore.recover import verify
    from logger_app.logstore.store import Journal
    from logger_app.plan.cards_io import read_campaign
    from logger_app.records.journal import RowKind
    from logger_app.reduce.campaign import reduce_campaign
    from logger_app.report.subtitles import file_name
    from logger_app.review.subtitles import cues, to_srt, to_webvtt
    from logger_app.review.table import to_csv
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.cameras import open_cameras
    from logger_app.workflows.flight_session import replay
    from logger_app.workflows.report import Gathered
    from logger_app.workflows.review import ReviewWorkflow

    campaign = read_campaign(campaign_dir)

    def look():
        workflow = ReviewWorkflow(flight_dir, "a pilot", campaign_dir).load()
        json.dumps(workflow.as_json())
        to_csv(workflow.calls, workflow.run_of())
        made = cues(workflow.calls, workflow.run_of())
        to_webvtt(made), to_srt(made)

    def reduced():
        data = flow.load_flight(campaign, flight_dir)
        with Journal.open(flight_dir, read_only=True) as journal:
            for camera in Gathered(campaign_dir).add(data, list(journal.rows())):
                file_name(camera.camera)
        return reduce_campaign(campaign, [data])

    def grids():
        with Journal.open(flight_dir, read_only=True) as journal:
            for row in journal.rows(RowKind.TUFT_GRID):
                body_to_grid(row.body)

    def again():
        with Journal.open(flight_dir, read_only=True) as journal:
            replay(list(journal.rows()), campaign, journal.info.id)

    first: LoggerError | None = None
    for use in (
        look,
        reduced,
        grids,
        again,
        lambda: verify(flight_dir),
        lambda: read_sound(flight_dir, 0.0, 3.0),
        lambda: open_cameras(campaign_dir, flight_dir.name).close(),
    ):
        try:
            use()
        except LoggerError as err:
            first = first or err
            check_message(str(err).replace(str(campaign_dir), ""))
    if first:
        raise first


def _flight_folder(path: Path) -> tuple[Path, Path]:
    campaign = path.parent / "campaign"
    flight = campaign / "flights" / "day1_baseline"
    flight.mkdir(parents=True)
    (campaign / "campaign.toml").write_bytes(_demo_campaign())
    return campaign, flight


def _rows(path: Path) -> None:
    try:
        rows = json.loads(path.read_bytes())
    except (ValueError, RecursionError):
        return
    if not isinstance(rows, list):
        return
    kinds = [
        row
        for row in rows
        if isinstance(row, list) and len(row) == 2 and isinstance(row[0], str) and row[0].isprintable()
    ]
    campaign, flight = _flight_folder(path)
    try:
        write_journal(flight / "flight.sqlite", kinds[:60])
        (flight / "audio").mkdir()
        (flight / "audio" / "0000.wav").write_bytes(bytes(32044))
        use_flight(campaign, flight)
    finally:
        shutil.rmtree(campaign)


def _journal(path: Path) -> None:
    """A whole journal file: read, checked, carved."""
    from logger_app.logstore.carve import carve_records
    from logger_app.logstore.recover import readable_rows

    data = path.read_bytes()
    for _ in carve_records(data):
        pass
    campaign, flight = _flight_folder(path)
    try:
        (flight / "flight.sqlite").write_bytes(data)
        readable_rows(flight)
        use_flight(campaign, flight)
    finally:
        shutil.rmtree(campaign)


def journal_seeds() -> list[bytes]:
    """Whole journals, small: one of every kind of row, and one that a longer row spills over pages in."""
    with tempfile.TemporaryDirectory() as folder:
        made = []
        for rows in (
            rows_seed()[:6],
            [*rows_seed()[:1], ["note", {"start_ns": 1, "end_ns": 2, "text": "word " * 900}]],
        ):
            path = Path(folder) / "flight.sqlite"
            write_journal(path, rows)
            made.append(path.read_bytes())
        return made


def _segment(path: Path) -> None:
    """A flight's own sound: what may be left of it after a cut."""
    campaign, flight = _flight_folder(path)
    name = f"0000{path.suffix}"
    body = {"file": f"audio/{name}", "first_sample": 0, "samples": 8000, "rate_hz": 16000, "source": "x"}
    try:
        write_journal(flight / "flight.sqlite", [rows_seed()[0], ["audio", body]])
        (flight / "audio").mkdir()
        shutil.copy(path, flight / "audio" / name)
        use_flight(campaign, flight)
    finally:
        shutil.rmtree(campaign)


# ---- sound and pictures ----------------------------------------------------------------------------------


def _sound(path: Path) -> None:
    from logger_app.io.sound import RATE_HZ, open_sound

    heard = 0
    with open_sound(path) as stream:
        for block in stream.blocks(1.0):
            heard += len(block)
            if heard > 60 * RATE_HZ:  # what streams on and on in constant memory is bounded elsewhere
                break


def _video(path: Path) -> None:
    from logger_app.domain.cameras import CameraFile
    from logger_app.errors import LoggerError
    from logger_app.records.clocks import ClockMap
    from logger_app.report.frames_io import FrameFinder
    from logger_app.sync.media_io import probe
    from logger_app.sync.video_io import VideoFrames

    told = probe(path)
    _ = told.make
    camera = CameraFile(
        flight="day1",
        camera="cam",
        file=path.name,
        clock_map=ClockMap(source=path.name, offset_s=0.0),
        duration_s=told.duration_s,
    )
    FrameFinder([(camera, path)])("day1", 0.2)
    try:
        with VideoFrames(path) as video:
            for video_s in (0.0, 0.3, told.duration_s, -1.0):
                video.frame_at(video_s)
            for _, _ in zip(range(50), video.stamps()):
                pass
    except LoggerError as err:
        check_message(str(err).replace(str(path), ""))
    _sound(path)


@lru_cache(maxsize=1)
def media() -> dict[str, bytes]:
    """A quarter of a second of noise, and a few pictures, in each container that may come from outside."""
    import io

    import av
    import numpy as np

    pcm = np.random.default_rng(1).integers(-3000, 3000, 4000).astype(np.int16)
    made = {}
    for name, container, codec, pictures in (
        ("wav", "wav", "pcm_s16le", None),
        ("flac", "flac", "flac", None),
        ("ogg", "ogg", "libopus", None),
        ("mp3", "mp3", "libmp3lame", None),
        ("m4a", "mp4", "aac", None),
        ("mp4", "mp4", "aac", "mpeg4"),
        ("h264", "mp4", "aac", "libx264"),
        ("mkv", "matroska", "aac", "mpeg4"),
        ("avi", "avi", "pcm_s16le", "mjpeg"),
        ("ts", "mpegts", "mp2", "mpeg2video"),
    ):
        held = io.BytesIO()
        with av.open(held, "w", format=container) as box:
            sound = box.add_stream(codec, rate=16000)
            sound.layout = "mono"
            if pictures:
                seen = box.add_stream(pictures, rate=25)
                seen.width, seen.height, seen.pix_fmt = 64, 48, "yuvj420p" if pictures == "mjpeg" else "yuv420p"
                for k in range(6):
                    frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), 40 * k, np.uint8), format="rgb24")
                    frame.pts = k
                    box.mux(seen.encode(frame))
                box.mux(seen.encode(None))
            frame = av.AudioFrame.from_ndarray(pcm[None], format="s16", layout="mono")
            frame.sample_rate, frame.pts = 16000, 0
            box.mux(sound.encode(frame))
            box.mux(sound.encode(None))
        made[name] = held.getvalue()
    return made


# ---- the table of readers ----------------------------------------------------------------------------------

TRACE = b"utc,ias_kt,altitude_m,track_deg,latitude_deg,longitude_deg\n" + b"".join(
    b"2031-05-04T07:12:0%dZ,%d,15%02d,180,47.100%d,8.2\n" % (k, 62 - k, k, k) for k in range(4)
)
GPX = b"""<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>
<trkpt lat="47.1" lon="8.2"><ele>1500</ele><time>2031-05-04T07:12:03Z</time><speed>31</speed><course>180</course></trkpt>
<trkpt lat="47.11" lon="8.2"><ele>1501</ele><time>2031-05-04T07:12:04Z</time></trkpt></trkseg></trk></gpx>
"""
NMEA = b"""$GPRMC,071203.00,A,4706.00,N,00812.00,E,60.1,180.0,040531,,*27
$GPGGA,071203.00,4706.00,N,00812.00,E,1,08,0.9,1500.0,M,46.9,M,,
$GPRMC,071204.00,A,4705.90,N,00812.00,E,60.2,180.0,040531,,
$GPGGA,235959.00,4705.90,N,00812.00,E,1,08,0.9,1499.0,M,46.9,M,,
"""
LEGS = b"set,ias_kt,ground_speed_kt,track_deg,pressure_altitude_ft,oat_degc,flap_deg\n" + b"".join(
    b"%d,%d,%d,%d,3000,9,0\n" % (k, ias, ias + more, track)
    for k, ias in ((1, 60), (2, 80))
    for track, more in ((0, 2), (90, 6), (180, 10), (270, 6))
)
LOG = b"time_s,ias_kt,ground_speed_kt,track_deg,altitude_ft,oat_degc\n" + b"".join(
    b"%d,60,%d,%d,3000,9\n" % (20 * leg + k, speed, 90 * leg)
    for leg, speed in enumerate((62, 66, 70, 66))
    for k in range(0, 15, 2)
)
SRT = b"1\n00:00:02,000 --> 00:00:03,500\non condition\n\n2\n00:00:04,000 --> 00:00:05,000\n<i>fifty eight</i>, seven {x} &amp;\n"
CSV = b'start_s,end_s,words\n2,3.5,on condition\n4,5,fifty eight\n6,,seven\n8,,"flaps fifteen, power idle"\n'


def _table_seed() -> list[bytes]:
    from logger_app.review.table import to_csv

    return [to_csv(made_calls(), {}).encode()]


def _kinds(*names: str) -> Callable[[], list[bytes]]:
    return lambda: [media()[name] for name in names]


READERS: dict[str, Reader] = {
    "campaign": Reader("campaign.toml", _campaign, lambda: [_demo_campaign()]),
    "pack": Reader(
        "callouts.toml",
        _pack,
        lambda: [
            spoken_pack(),
            (ROOT / "grammar/de/callouts.toml").read_bytes(),
            (ROOT / "tests/contract/ko_pack/callouts.toml").read_bytes(),
        ],
    ),
    "dictionary": Reader("dictionary.txt", _dictionary, lambda: [DICTIONARY]),
    "team words": Reader("campaign.toml", _team, lambda: [TEAM]),
    "trace csv": Reader("t.csv", _trace, lambda: [TRACE]),
    "trace gpx": Reader("t.gpx", _trace, lambda: [GPX]),
    "trace nmea": Reader("t.nmea", _trace, lambda: [NMEA]),
    "legs": Reader("legs.csv", _legs, lambda: [LEGS, LOG]),
    "transcript csv": Reader("t.csv", _transcript, lambda: [CSV]),
    "transcript srt": Reader("t.srt", _transcript, lambda: [SRT]),
    "transcript vtt": Reader("t.vtt", _transcript, lambda: [b"WEBVTT\n\n" + SRT.replace(b",", b".")]),
    "review table": Reader("calls.csv", _review_table, _table_seed),
    "display": Reader(
        "display.json", _display, lambda: [b'{"dpi": 149.0, "viewing_mm": 600.0, "palette_name": "day"}']
    ),
    "rows": Reader(
        "rows.json", _rows, lambda: [json.dumps(rows_seed()).encode(), json.dumps(rows_seed()[:6]).encode()]
    ),
    "journal": Reader("f.bin", _journal, journal_seeds, text=False),
    "segment wav": Reader("s.wav", _segment, _kinds("wav"), text=False),
    "segment flac": Reader("s.flac", _segment, _kinds("flac"), text=False),
    "wav": Reader("a.wav", _sound, _kinds("wav"), text=False),
    "flac": Reader("a.flac", _sound, _kinds("flac"), text=False),
    "sound": Reader("a.ogg", _sound, _kinds("ogg", "mp3", "m4a"), text=False),
    "mp4": Reader("a.mp4", _video, _kinds("mp4", "h264"), text=False),
    "video": Reader("a.mkv", _video, _kinds("mkv", "avi", "ts"), text=False),
}


def saved(name: str) -> list[Path]:
    """What was found once for a reader, kept in the repository."""
    return sorted((CORPUS / name.replace(" ", "_")).glob("*"))


# ---- mutations that know a little ----------------------------------------------------------------------------

NASTY = [
    b"",
    b"\0",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    b"\xe2\x80\xa8",
    b"\x1b[2J",
    b"\xc2\x9b2J",
    b"\r",
    b"\n",
    b'"',
    b"'",
    b"'''",
    b'"""',
    b"=",
    b"../../../etc/passwd",
    b"/etc/passwd",
    b"..",
    b"<script>",
    b"[" * 300,
    b"{" * 300,
    b"<" * 300,
    b"a" * 9000,
    b"&a;",
    b'<!DOCTYPE x [<!ENTITY a "b">]>',
    b"true",
    b"null",
    b"[]",
    b"{}",
    b"[[]]",
    b"1979-05-27T07:32:00Z",
    b"-->",
    b",,,,",
    b"*",
    b"$",
    b"#",
    b"0",
    b"-1",
    b"1e400",
    b"nan",
    b"inf",
    b"9" * 400,
    b"9" * 5000,
    b"1e308",
    b"1e-320",
    b"0x7f",
    b"1_0",
    b"1,5",
    b"18446744073709551616",
    b"1e20",
    b"1e9",
    b"999999",
    "\u0663".encode(),
    b"()",
    b"(a|b)",
    b"[x]",
    b"<digit>",
]
ODD = [
    None,
    True,
    False,
    0,
    -1,
    1,
    10**30,
    -(10**30),
    1.5,
    1e308,
    1e-320,
    "",
    "a",
    "\0",
    "../../x",
    "/etc/passwd",
    "ias",
    "kt",
    [],
    {},
    [[]],
    {"a": 1},
    ["a", 1, 2],
    "airspeed",
    "x" * 3000,
    "\x1b[2J",
    "\ud800",
    2**63,
    10**15,
]


def mutated_text(data: bytes, rng: random.Random) -> bytes:
    """A number, a word or a line replaced, doubled, moved or taken away, one to four times."""
    for _ in range(rng.randint(1, 4)):
        found = list(
            re.finditer(rng.choice((rb"-?\d+(?:\.\d+)?", rb"[A-Za-z_]{2,}", rb"[^\n]+\n?", rb'"[^"\n]*"')), data)
        )
        if not found:
            continue
        at, how = rng.choice(found), rng.random()
        other = rng.choice(found)[0]
        put = rng.choice(NASTY) if how < 0.5 else other if how < 0.75 else at[0] * rng.choice((0, 2, 2, 30))
        data = data[: at.start()] + put + data[at.end() :]
    return data


def mutated_json(data: bytes, rng: random.Random) -> bytes:
    """A value or a key somewhere in the tree replaced; rows doubled, taken away, put elsewhere."""
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError):
        return data
    for _ in range(rng.randint(1, 3)):
        places = _places(tree)
        if not places:
            break
        holder, key = rng.choice(places)
        how = rng.random()
        if how < 0.55:
            holder[key] = rng.choice(ODD)
        elif how < 0.75:
            other, name = rng.choice(places)
            holder[key] = json.loads(json.dumps(other[name]))
        elif how < 0.9:
            del holder[key]
        elif isinstance(holder, list):
            holder.insert(key, json.loads(json.dumps(holder[key])))
        else:
            holder[rng.choice(("id", "name", "value", "unit", "kind", "target", "file", "payload", "x"))] = holder[key]
    return json.dumps(tree).encode()


def _places(tree) -> list:
    keys = list(tree) if isinstance(tree, dict) else range(len(tree)) if isinstance(tree, list) else ()
    return [(tree, key) for key in keys] + [place for key in keys for place in _places(tree[key])]


def mutated_bytes(data: bytes, rng: random.Random) -> bytes:
    """Numbers of a binary header replaced, mostly near the beginning; a block cut or doubled."""
    held = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        if not held:
            break
        reach = min(len(held), rng.choice((64, 256, 4096, len(held))))
        at, size, how = rng.randrange(reach), rng.choice((1, 1, 2, 4, 8)), rng.random()
        if how < 0.7:
            value = rng.choice(
                (0, 1, 2 ** (8 * size) - 1, 2 ** (8 * size - 1), 2 ** (8 * size - 1) - 1, rng.getrandbits(8 * size))
            )
            held[at : at + size] = value.to_bytes(size, rng.choice(("big", "little")))
        elif how < 0.85:
            del held[at : at + rng.choice((1, 4, 16, 400))]
        else:
            held[at:at] = held[at : at + rng.choice((1, 4, 16, 400))]
    return bytes(held)


# ---- a process that fuzzes one reader -----------------------------------------------------------------------


def child(name: str, corpus: str, found: str, flags: Sequence[str]) -> None:
    """Fuzz one reader; never returns. Findings go to the folder `found`, one a place in the code."""
    import atheris

    with atheris.instrument_imports(include=["logger_app", "tomllib", "csv", "html"]):
        reader = READERS[name]
        for seed in reader.seeds():  # loads what the reader needs, instrumented
            with tempfile.TemporaryDirectory() as folder, suppress(Exception):
                attempt(reader, seed, Path(folder))
    base = Path(found).parent / "work"  # taken away by the bench: this process ends without coming back
    shutil.rmtree(base, ignore_errors=True)
    base.mkdir()
    os.environ["KNEECALL_HOME"] = str(base / "given" / "home")
    limit = _address_space() + MAX_MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    known: set[str] = set()
    quiet = open(os.devnull, "w")  # noqa: SIM115 - open as long as the process

    def one(data: bytes) -> None:
        before, sys.stderr = sys.stderr, quiet
        try:
            attempt(reader, data, base)
        except Exception as err:  # every one of them is a finding
            where = place(err)
            if where not in known:
                known.add(where)
                text = f"{where}: {type(err).__name__}: {err!s:.300}"
                number = len(known)
                Path(found, f"{number}.txt").write_text(text, "utf-8", "backslashreplace")
                Path(found, f"{number}.bin").write_bytes(data)
            shutil.rmtree(base / "given", ignore_errors=True)
        finally:
            sys.stderr = before

    def mutate(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.4:
            return atheris.Mutate(data, most)
        if name == "rows":
            return mutated_json(data, rng)[:most]
        return (mutated_text if reader.text and rng.random() < 0.9 else mutated_bytes)(data, rng)[:most]

    atheris.Setup(["fuzz", corpus, *flags], one, custom_mutator=mutate)
    atheris.Fuzz()


def place(err: BaseException) -> str:
    """Where in the program an exception came from: the deepest line of ours."""
    frames = [f for f in traceback.extract_tb(err.__traceback__) if "logger_app" in f.filename]
    kind = type(err).__name__
    if isinstance(err, Finding):
        said = re.sub(r"[\d.]+|'.*", "", str(err))[:32].strip()
        return f"{kind} {said}" + (f" {frames[-1].name}" if frames else "")
    return f"{kind} {Path(frames[-1].filename).name}:{frames[-1].lineno} {frames[-1].name}" if frames else kind


def _address_space() -> int:
    with suppress(OSError):
        return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    return 0


# ---- the bench ------------------------------------------------------------------------------------------------


def fuzz(name: str, seconds: float, corpus: Path | None) -> dict:
    """Fuzz one reader for a while.

    Parameters
    ----------
    name : str
        A key of `READERS`.
    seconds : float
        For how long.
    corpus : Path or None
        Where what was reached is kept between runs; forgotten without it.

    Returns
    -------
    dict
        Executions, edges and features reached, inputs that grew the corpus, findings.
    """
    with tempfile.TemporaryDirectory(prefix="fuzz-") as scratch:
        grown, found = (corpus or Path(scratch)) / name.replace(" ", "_"), Path(scratch) / "found"
        grown.mkdir(parents=True, exist_ok=True)
        found.mkdir()
        for k, seed in enumerate([*READERS[name].seeds(), *(path.read_bytes() for path in saved(name))]):
            (grown / f"seed-{k}").write_bytes(seed)
        end, executions, edges, features, findings = time.monotonic() + seconds, 0, 0, 0, []
        while (left := end - time.monotonic()) > 1:
            flags = [
                f"-max_total_time={int(left)}",
                f"-max_len={MAX_BYTES}",
                "-timeout=30",
                "-rss_limit_mb=4096",
                "-print_final_stats=1",
                "-verbosity=1",
                f"-artifact_prefix={found}{os.sep}",
                "-reload=0",
            ]
            command = [sys.executable, __file__, "--child", name, str(grown), str(found), *flags]
            log = Path(scratch) / "log"
            with log.open("wb") as out:
                done = subprocess.run(
                    command,
                    stdout=out,
                    stderr=out,
                    env=os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])},
                )
            said = log.read_text("utf-8", "replace")
            executions += max(
                (int(n) for n in re.findall(r"^(?:stat::number_of_executed_units: |#)(\d+)", said, re.M)), default=0
            )
            for cov, ft in re.findall(r"cov: (\d+) ft: (\d+)", said):
                edges, features = max(edges, int(cov)), max(features, int(ft))
            if done.returncode:
                findings.append(
                    f"the process ended with {done.returncode}: {' | '.join(said.strip().splitlines()[-3:])[:400]}"
                )
            kept = _keep(name, found, corpus)
            findings += [text for text in kept if text not in findings]
            if done.returncode and not executions:
                break
        return {
            "reader": name,
            "executions": executions,
            "edges": edges,
            "features": features,
            "corpus": len(list(grown.iterdir())),
            "findings": findings,
        }


def _keep(name: str, found: Path, corpus: Path | None) -> list[str]:
    """Findings in words; with `corpus`, their files are put beside it."""
    texts = [path.read_text("utf-8") for path in sorted(found.glob("*.txt"))]
    if corpus:
        where = corpus / "findings" / name.replace(" ", "_")
        for path in [*found.glob("*.bin"), *found.glob("crash-*"), *found.glob("timeout-*"), *found.glob("oom-*")]:
            where.mkdir(parents=True, exist_ok=True)
            said = path.with_suffix(".txt")
            label = (
                re.sub(r"[^A-Za-z0-9_.]+", "_", said.read_text("utf-8").split(": ")[0])[:60]
                if said.exists()
                else path.name
            )
            shutil.copy(path, where / label)
    for path in found.iterdir():
        path.unlink()
    return texts


def main() -> None:
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2], sys.argv[3], sys.argv[4], sys.argv[5:])
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="for each reader (default 60)")
    parser.add_argument("--reader", action="append", choices=list(READERS), help="only this one; may be given again")
    parser.add_argument("--corpus", type=Path, help="keep what was reached, and the findings, in this folder")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = []
    if not args.json:
        print(f"{'reader':16} {'executions':>10} {'edges':>7} {'features':>9} {'corpus':>7}  findings")
    for name in args.reader or READERS:
        rows.append(row := fuzz(name, args.seconds, args.corpus))
        if not args.json:
            print(
                f"{name:16} {row['executions']:10d} {row['edges']:7d} {row['features']:9d} {row['corpus']:7d}  {len(row['findings'])}"
            )
            for text in row["findings"]:
                print(f"    {text}")
            sys.stdout.flush()
    if args.json:
        print(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
