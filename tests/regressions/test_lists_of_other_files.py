"""A camera or sound file that is really a list of other files, or of addresses, has none of them opened.

Were open in every reader of pictures: FFmpeg recognises such lists by content, whatever the file is called. Watched from
outside: the kernel tells of every opening of the file that is named in the list, and a listening socket of every call.
"""

import ctypes
import os
import socket
import subprocess
from contextlib import suppress
from pathlib import Path

import av
import numpy as np
import pytest

from logger_app.__main__ import main
from logger_app.domain.cameras import CameraFile
from logger_app.errors import LoggerError
from logger_app.io.containers import HOLD_THEIR_OWN, OPTIONS, open_container
from logger_app.io.sound import read_sound_file
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.recover import rescue
from logger_app.logstore.store import Journal
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo
from logger_app.report.frames_io import FrameFinder
from logger_app.sync.media_io import SoundStore, probe
from logger_app.sync.video_io import VideoFrames, make_proxy

IN_OPEN = 0x20


class Opened:
    """Counts openings of a file by anyone, through the kernel's inotify; Linux only."""

    def __init__(self, path):
        self.libc = ctypes.CDLL(None, use_errno=True)
        self.fd = self.libc.inotify_init1(os.O_NONBLOCK)
        assert self.fd >= 0 and self.libc.inotify_add_watch(self.fd, os.fsencode(path), IN_OPEN) >= 0

    def count(self):
        try:
            return len(os.read(self.fd, 65536)) // 16
        except BlockingIOError:
            return 0

    def close(self):
        os.close(self.fd)


@pytest.fixture(scope="module")
def private(tmp_path_factory):
    """Files that nobody named: a film in three containers, and a picture."""
    folder = tmp_path_factory.mktemp("private")
    made = ["-f", "lavfi", "-i", "testsrc2=s=64x48:r=10:d=3", "-f", "lavfi", "-i", "sine=440:d=3"]
    for name in ("private.mp4", "private.ts", "private.mov"):
        coded = ["-c:v", "libx264", "-g", "5", "-preset", "ultrafast", "-pix_fmt", "yuv420p", "-c:a", "aac"]
        subprocess.run(
            ["ffmpeg", "-v", "error", "-y", *made, *coded, folder / name], check=True, stdin=subprocess.DEVNULL
        )
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", *made[:4], "-frames:v", "1", folder / "private1.png"],
        check=True,
        stdin=subprocess.DEVNULL,
    )
    return folder


@pytest.fixture
def listening():
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        yield server


def called(server):
    try:
        server.accept()[0].close()
    except BlockingIOError:
        return False
    return True


def boxes(data, change):
    """An MP4 rebuilt with `change(kind, body)` applied to every box that holds no others."""
    out, at = b"", 0
    while at < len(data):
        size, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        body = data[at + 8 : at + size]
        body = boxes(body, change) if kind in (b"moov", b"trak", b"mdia", b"minf", b"dinf") else change(kind, body)
        out += (len(body) + 8).to_bytes(4, "big") + kind + body
        at += size
    return out


def elsewhere(name):
    """A data reference that says: the samples lie in another file of this folder (QuickTime alias record)."""

    def change(kind, body):
        if kind != b"dref":
            return body
        alias = (
            bytes(4 + 10)
            + bytes([4])
            + b"disk".ljust(27, b"\0")
            + bytes(12)
            + bytes([len(name)])
            + name.ljust(63, b"\0")
        )
        alias += bytes(16) + b"\0\1\0\1" + bytes(16)
        alias += b"\0\2" + len(name).to_bytes(2, "big") + name + b"\0" * (len(name) % 2) + b"\xff\xff\0\0"
        alias = alias.ljust(200, b"\0")
        return body[:4] + b"\0\0\0\1" + (len(alias) + 8).to_bytes(4, "big") + b"alis" + alias

    return change


def crafted(folder, private, address):
    """Every kind of list, under the name of an honest film; with a name that is a pattern; and what each would open."""
    for name in ("private.mp4", "private.ts"):
        (folder / name).write_bytes((private / name).read_bytes())
    hls = "#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:3\n#EXTINF:3,\n{}\n#EXT-X-ENDLIST\n"
    mpd = (
        '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static" mediaPresentationDuration="PT3S"><Period>'
        '<AdaptationSet mimeType="video/mp4"><Representation id="1" bandwidth="1"><BaseURL>{}</BaseURL></Representation></AdaptationSet></Period></MPD>'
    )
    texts = {
        "concat.mp4": ("ffconcat version 1.0\nfile 'private.mp4'\n", "private.mp4"),
        "absolute.mov": (f"ffconcat version 1.0\nfile '{folder}/private.mp4'\n", "private.mp4"),
        "bare.concat": ("file 'private.mp4'\n", "private.mp4"),
        "hls.mp4": (hls.format("private.ts"), "private.ts"),
        "hls.m3u8": (hls.format(f"file://{folder}/private.ts"), "private.ts"),
        "spaced.m3u8": ("\ufeff \n" + hls.format("private.ts"), "private.ts"),
        "net.m3u8": (hls.format(f"http://{address}/a.ts"), None),
        "key.m3u8": (
            hls.format("private.ts").replace("#EXTINF", f'#EXT-X-KEY:METHOD=AES-128,URI="http://{address}/k"\n#EXTINF'),
            "private.ts",
        ),
        "dash.mpd": (mpd.format("private.mp4"), "private.mp4"),
        "dash.mp4": (mpd.format(f"http://{address}/a.mp4"), None),
        "talk.sdp": (
            "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n",
            None,
        ),
        "pls.mp4": (f"[playlist]\nFile1=http://{address}/a.mp4\nNumberOfEntries=1\n", None),
        "text.mp4": (f"http://{address}/a.mp4\n", None),
    }
    for name, (text, named) in texts.items():
        path = folder / name
        path.write_text(text, encoding="utf-8")
        yield path, folder / named if named else None
    # The pattern is the name of a file that is there, so that a check for files does not stop it.
    pattern = folder / "private%d.png"
    pattern.write_bytes((private / "private1.png").read_bytes())
    next_one = folder / "private1.png"
    next_one.write_bytes(pattern.read_bytes())
    yield pattern, next_one


def sound_of(path):
    with SoundStore() as store:
        return store.camera(path)


def page_picture(path):
    """The report's page leaves out what it cannot read."""
    clock = ClockMap(
        source=str(path),
        offset_s=0.0,
        drift_ppm=0.0,
        u_s=0.01,
        valid_from_s=0.0,
        valid_to_s=3.0,
        method="hand",
        evidence=(),
    )
    if (
        FrameFinder([(CameraFile(flight="f", camera="c", file=path.name, clock_map=clock, duration_s=3.0), path)])(
            "f", 1.0
        )
        is None
    ):
        raise OSError("no picture")


READERS = {
    "sync probes": probe,
    "sync's sound": sound_of,
    "any sound": read_sound_file,
    "frames": VideoFrames,
    "proxy": lambda path: make_proxy(path, path.with_suffix(".proxy.mp4")),
    "the page's pictures": page_picture,
}


@pytest.mark.parametrize("reader", READERS)
def test_no_reader_opens_what_a_list_names(tmp_path, private, listening, reader):
    address = f"127.0.0.1:{listening.getsockname()[1]}"
    for path, named in crafted(tmp_path, private, address):
        watch = Opened(named) if named else None
        with pytest.raises((LoggerError, OSError, ValueError)) as caught:
            READERS[reader](path)

        assert "\n" not in str(caught.value), path.name
        assert not called(listening), path.name
        if watch:
            assert watch.count() == 0, path.name
            watch.close()


def test_without_the_guard_they_would_be_opened(tmp_path, private):
    """The lists are real ones and the watch sees it: plain FFmpeg does open what they name."""
    would = {"concat.mp4", "hls.m3u8", "private%d.png"}
    for path, named in crafted(tmp_path, private, "127.0.0.1:9"):
        if path.name in would:
            watch = Opened(named)
            with suppress(av.FFmpegError), av.open(str(path)) as box:
                next(box.decode(video=0))
            assert watch.count() > 0, path.name
            watch.close()


def test_a_film_whose_samples_lie_in_another_file_has_that_left_alone(tmp_path, private):
    film = tmp_path / "film.mov"
    film.write_bytes(boxes((private / "private.mov").read_bytes(), elsewhere(b"other.mov")))
    other = tmp_path / "other.mov"
    other.write_bytes((private / "private.mov").read_bytes())
    watch = Opened(other)
    with suppress(av.FFmpegError), open_container(film):
        pass
    assert watch.count() == 0
    with suppress(av.FFmpegError), av.open(str(film), options={"enable_drefs": "1"}):
        pass
    assert watch.count() > 0, "the reference is a real one"
    watch.close()


def test_a_name_that_is_an_address_is_a_name(tmp_path, private, listening, monkeypatch):
    monkeypatch.chdir(tmp_path)
    port = listening.getsockname()[1]
    for name in (
        f"http:/127.0.0.1:{port}/a.mp4",
        f"tcp:/127.0.0.1:{port}",
        "concat:private.mp4|private.mp4",
        "pipe:0",
        "data:a,b",
    ):
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes((private / "private.mp4").read_bytes())

        assert probe(path).width == 64
        assert make_proxy(path, path.with_name(path.name + ".small.mp4")).stat().st_size > 0
        assert not called(listening)


def test_the_verb_refuses_in_one_sentence_and_links_the_rest(tmp_path, private, listening, capsys):
    flight = tmp_path / "day1"
    with (
        Journal.create(flight, FlightInfo(id="day1", configuration=None)) as journal,
        SegmentWriter(flight, journal) as writer,
    ):
        writer.write(np.random.default_rng(1).integers(-3000, 3000, 16_000 * 12).astype(np.int16))
    address = f"127.0.0.1:{listening.getsockname()[1]}"
    files = [path for path, _ in crafted(tmp_path, private, address)]
    watch = Opened(tmp_path / "private.mp4")
    code = main(["sync", str(flight), *map(str, files), "--json"])
    said = capsys.readouterr()

    assert code == 1
    assert watch.count() == 0 and not called(listening)
    refusals = [line for line in said.err.splitlines() if "not linked" in line]
    assert len(refusals) == len(files)
    assert (
        sum("names other files or addresses" in line for line in refusals) == len(files) - 2
    )  # the pattern, and a text
    watch.close()


def test_a_list_in_the_place_of_a_segment_is_a_damaged_segment(tmp_path, private):
    flight = tmp_path / "day1"
    with (
        Journal.create(flight, FlightInfo(id="day1", configuration=None)) as journal,
        SegmentWriter(flight, journal) as writer,
    ):
        writer.write(np.ones(16_000 * 12, np.int16))
    (segment,) = (flight / "audio").iterdir()
    for name in (segment.name, segment.with_suffix(".flac").name):
        segment.unlink(missing_ok=True)
        segment = segment.with_name(name)
        segment.write_text(f"ffconcat version 1.0\nfile '{private}/private.mp4'\n")
        watch = Opened(private / "private.mp4")
        rescue(flight, tmp_path / f"out{name}")

        assert watch.count() == 0
        watch.close()


def test_what_is_read_holds_its_own_sound_and_pictures():
    """Formats of FFmpeg that name other files or addresses, or take patterns (its own documentation, "Demuxers")."""
    opens_others = {
        "concat",
        "hls",
        "dash",
        "sdp",
        "rtsp",
        "rtp",
        "image2",
        "imf",
        "applehttp",
        "lavfi",
        "tty",
        "concatf",
        "vapoursynth",
        "avisynth",
        "ffmetadata",
        "smil",
    }

    assert opens_others.isdisjoint(HOLD_THEIR_OWN)
    assert OPTIONS["protocol_whitelist"] == "file"
