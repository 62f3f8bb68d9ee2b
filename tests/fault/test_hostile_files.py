"""Names and words meant to do harm: out of the folder, into the page's script, into a spreadsheet's formula."""

import csv
import json
import os
import re
import stat
import subprocess
import sys
import tracemalloc
import unicodedata
from pathlib import Path

import numpy as np
import pytest

html5lib = pytest.importorskip("html5lib")

from logger_app.__main__ import main
from logger_app.errors import SoundError, SyncError
from logger_app.io.sound import read_sound_file, write_flac
from logger_app.logstore.audio_io import SegmentWriter, read_sound
from logger_app.logstore.codec import clock_map_to_body
from logger_app.logstore.recover import verify
from logger_app.logstore.store import Journal
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"
EVIL = "<script>alert(1)</script><img src=x onerror=alert(1)>\\\"'`${7*7}{{7*7}}</style></title>--><!--"
FORMULA = '=HYPERLINK("file:///etc/passwd")'
WORDS = [
    "power idle",
    "flap zero",
    "on condition",
    "sixty two",
    "fifty nine",
    "fifty seven",
    "fifty five",
    "fifty three",
    "fifty one",
    "buffet",
    "break",
    "recovered",
]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    """A campaign whose every free text is hostile, with one flight."""
    folder = tmp_path_factory.mktemp("evil")
    text = (DEMO / "campaign.toml").read_text("utf-8")
    quoted = EVIL.replace("\\", "\\\\").replace('"', '\\"')
    for key in ("name", "title", "objective", "what", "why"):
        lines = []
        for line in text.splitlines():
            # Stations of the loading are named again where they are used.
            free = line.startswith(f'{key} = "') and not line.endswith(('"seats"', '"baggage"'))
            lines.append(f'{key} = "{quoted} {line[len(key) + 4 : -1]}"' if free and line.endswith('"') else line)
        text = "\n".join(lines)
    (folder / "campaign.toml").write_text(text, encoding="utf-8")
    table = folder / "talk.csv"
    table.write_text(
        "start_s,words\n" + "".join(f"{2 * k + 2},{words}\n" for k, words in enumerate(WORDS)), encoding="utf-8"
    )
    assert main(["hear", str(table), "--into", str(folder / "flights" / "day1_baseline")]) == 0
    return folder


def test_hostile_words_stay_words_on_the_page_and_in_the_tables(campaign, tmp_path, monkeypatch):
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path / "home"))
    flight, out = campaign / "flights" / "day1_baseline", tmp_path / "out"
    with Journal.open(flight, read_only=True) as journal:
        speed = next(row.id for row in journal.rows() if row.body.get("name") == "ias")
    assert main(["review", str(flight), "--set", speed, "61", "--who", FORMULA, "--why", EVIL]) == 0
    assert main(["review", str(flight), "--discard", "1", "--who", EVIL, "--why", FORMULA]) == 0
    assert main(["report", str(campaign), "-o", str(out)]) == 0

    page = next(out.glob("*.html")).read_text("utf-8")
    tree = html5lib.parse(page, namespaceHTMLElements=False)
    scripts = list(tree.iter("script"))
    assert EVIL[:20] not in page  # never as markup
    assert "&lt;script&gt;alert(1)" in page  # but shown, as what it is
    assert len(scripts) <= 1 and all("alert(1)" not in (script.text or "") for script in scripts)
    for node in tree.iter():
        assert not [name for name in getattr(node, "attrib", {}) if str(name).lower().startswith("on")]
        assert str(node.attrib.get("src", "data:")).startswith("data:")
        assert not str(node.attrib.get("href", "")).lower().startswith(("javascript:", "file:"))

    tables = list(out.rglob("*.csv"))
    assert tables
    seen = 0
    for table in tables:
        for row in csv.reader(table.read_text("utf-8").splitlines()):
            for cell in row:
                seen += "HYPERLINK" in cell
                assert not cell.startswith(("=", "@", "\t", "\r")), (table.name, cell)
    assert seen


# What a terminal obeys (ECMA-48): clear the screen, set the title, the eight-bit form of the same, a line drawn over;
# and marks that turn the direction of writing (UAX #9).
ORDERS = "\x1b[2J\x1b]0;owned\x07\x9b31m\roverwritten\x7f\u202egnp"


@pytest.fixture(scope="module")
def ordered(tmp_path_factory):
    """A campaign whose every free text gives orders to the terminal, with one flight."""
    folder = tmp_path_factory.mktemp("orders")
    text = (DEMO / "campaign.toml").read_text("utf-8")
    written = "".join(c if c.isalnum() or c in "[;" else f"\\u{ord(c):04x}" for c in ORDERS)
    for key in ("name", "title", "objective", "what", "why", "item", "photo"):
        text = re.sub(rf'^{key} = "(?!Seats|Baggage|seats|baggage)', lambda m: m[0] + written, text, flags=re.M)
    (folder / "campaign.toml").write_text(text, encoding="utf-8")
    table = folder / "talk.csv"
    table.write_text(
        "start_s,words\n" + "".join(f"{2 * k + 2},{words}\n" for k, words in enumerate(WORDS)), encoding="utf-8"
    )
    assert main(["hear", str(table), "--into", str(folder / "flights" / "day1_baseline")]) == 0
    return folder


def test_names_and_notes_give_no_orders_to_the_terminal(ordered, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("KNEECALL_HOME", str(tmp_path / "home"))
    flight = str(ordered / "flights" / "day1_baseline")
    with Journal.open(flight, read_only=True) as journal:
        speed = next(row.id for row in journal.rows() if row.body.get("name") == "ias")
    torn = tmp_path / f"torn{ORDERS}.csv"
    torn.write_text(f"start_s,words\n{ORDERS[:7]},fifty\n", encoding="utf-8", newline="")
    shown = ""
    for code, words in (
        (0, ["plan", str(ordered)]),
        (0, ["review", flight, "--set", speed, "61", "--who", ORDERS, "--why", ORDERS]),
        (0, ["review", flight, "--list"]),
        (0, ["reduce", str(ordered)]),
        (1, ["review", flight, "--reject", ORDERS, "--why", "x"]),
        (1, ["review", flight, "--import", str(torn)]),
        (1, ["hear", str(torn)]),
        (1, ["plan", str(ordered / ORDERS)]),
        (1, ["compare", str(ordered), "--point", ORDERS, "-o", str(tmp_path / "c")]),
        (0, ["store", "verify", flight]),
    ):
        assert main(words) == code, words
        said = capsys.readouterr()
        shown += said.out + said.err
    for words in (
        ["plan", str(ordered), "--json"],
        ["review", flight, "--list", "--json"],
        ["reduce", str(ordered), "--json"],
    ):
        assert main(words) == 0
        out = capsys.readouterr().out
        json.loads(out)
        assert (ORDERS in json.dumps(json.loads(out), ensure_ascii=False)) or json.dumps(ORDERS)[1:-1] in out
        shown += out

    assert "owned" in shown and "\\x1b]0;owned" in shown
    assert not [c for c in shown if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t"]
    assert "\u202e" not in shown


def test_the_reviews_table_defuses_formulas_and_takes_them_back(campaign, tmp_path):
    flight = campaign / "flights" / "day1_baseline"
    out = tmp_path / "calls.csv"
    assert main(["review", str(flight), "--add", "30", FORMULA, "--kind", "event", "--name", "mark", "--who", "x"]) in (
        0,
        1,
    )
    assert main(["review", str(flight), "--export", str(out)]) == 0
    cells = [cell for row in csv.reader(out.read_text("utf-8").splitlines()) for cell in row]

    assert not [cell for cell in cells if cell.startswith(("=", "@", "+"))]
    assert main(["review", str(flight), "--import", str(out)]) == 0


@pytest.fixture(scope="module")
def silence(tmp_path_factory):
    """A second of it, as a recording."""
    path = tmp_path_factory.mktemp("silence") / "silence.flac"
    write_flac(path, np.zeros(16_000, np.int16))
    return path


# Devices of Windows by name, whatever the ending and case: "Naming Files, Paths, and Namespaces" (from memory).
DEVICES = ["NUL", "con", "con.txt", "Aux.tar.gz", "COM1", "lpt9", "COM\u00b9", "prn "]


@pytest.mark.parametrize(
    "name", ["../out", "/out", "a/../../out", "..", "a\\..\\b", "a\0b", "day1.", "a\x1b[2J", "C:x", *DEVICES]
)
def test_a_flights_name_leads_nowhere_else(tmp_path, name, capsys, silence):
    folder = tmp_path / "deep" / "campaign"
    folder.mkdir(parents=True)
    (folder / "campaign.toml").write_bytes((DEMO / "campaign.toml").read_bytes())
    code = main(["fly", str(folder), "--flight", name, "--no-screen", "--audio", str(silence), "--fast"])

    assert code == 1
    assert "--flight" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["campaign", "campaign.toml", "deep"]


def test_hostile_names_in_the_campaign_are_refused_or_harmless(tmp_path, capsys):
    text = (DEMO / "campaign.toml").read_text("utf-8")
    (tmp_path / "campaign.toml").write_text(text.replace('id = "day1_baseline"', 'id = "../../day1"'), encoding="utf-8")

    assert main(["plan", str(tmp_path)]) == 1
    assert "../../day1" in capsys.readouterr().err


@pytest.mark.parametrize("name", DEVICES)
def test_a_device_is_no_flight(tmp_path, name, capsys):
    text = (DEMO / "campaign.toml").read_text("utf-8")
    (tmp_path / "campaign.toml").write_text(text.replace('id = "day1_baseline"', f'id = "{name}"'), encoding="utf-8")

    assert main(["plan", str(tmp_path)]) == 1
    assert name.strip() in capsys.readouterr().err


def flight_with(folder: Path, rows, sound: bool = True) -> Path:
    """A flight folder whose journal holds these rows under right checksums."""
    flight = folder / "flights" / "day1_baseline"
    folder.mkdir(exist_ok=True)
    (folder / "campaign.toml").write_bytes((DEMO / "campaign.toml").read_bytes())
    with Journal.create(flight, FlightInfo(id="day1_baseline", configuration="baseline")) as journal:
        if sound:
            with SegmentWriter(flight, journal) as writer:
                writer.write(np.full(16_000, 1000, np.int16))
        journal.append(
            [
                JournalRow(id=f"row-{k}", flight_ns=0, utc="", kind=kind, body=body)
                for k, (kind, body) in enumerate(rows)
            ]
        )
    return flight


def test_a_link_in_the_place_of_a_segment_is_not_the_flights_sound(tmp_path):
    """Sound comes into the report: what a link leads to would be anybody's file."""
    flight = flight_with(tmp_path / "campaign", ())
    private = tmp_path / "private.wav"
    segment = next((flight / "audio").glob("*.wav"))
    private.write_bytes(segment.read_bytes())
    segment.unlink()
    segment.symlink_to(private)

    assert len(read_sound(flight, 0.0, 1.0)) == 0
    assert not verify(flight).ok
    assert main(["store", "compress", str(flight)]) == 0 and segment.is_symlink()
    assert main(["store", "forget-sound", str(flight), "--json"]) == 0 and private.is_file()


@pytest.mark.parametrize(
    "named",
    [
        "/etc/passwd",
        "../../../../etc/passwd",
        "..",
        "/dev/zero",
        "/proc/self/mem",
        "pipe",
        "http://127.0.0.1:9/x.mp4",
        "concat:/etc/passwd|/etc/group",
    ],
)
def test_a_camera_row_that_names_something_else_shows_nothing_of_it(tmp_path, named):
    from logger_app.plan.cards_io import read_campaign
    from logger_app.workflows import campaign as flow
    from logger_app.workflows.cameras import open_cameras, read_cameras
    from logger_app.workflows.report import frame_finder

    media = {"file": named, "sha256": "", "camera": "cam", "chapter": 1, "duration_s": 9.0, "fps": 25.0}
    clock = clock_map_to_body(ClockMap(source=named, offset_s=0.0))
    flight = flight_with(tmp_path, [(RowKind.MEDIA, media), (RowKind.CLOCK_MAP, clock)])
    os.mkfifo(flight / "pipe")
    flow.load_flight(read_campaign(tmp_path), flight)
    finder = frame_finder(tmp_path, read_cameras(flight, "day1_baseline"))

    assert finder is None or finder("day1_baseline", 0.5) is None
    with open_cameras(tmp_path, "day1_baseline") as cameras, pytest.raises(SyncError):
        cameras.frame_at(0.5)


def claims(kind: str, folder: Path) -> Path:
    """A second of sound whose header says that there are gigabytes of it."""
    import wave

    path, pcm = folder / f"a.{kind}", np.zeros(16_000, np.int16)
    if kind == "wav":
        with wave.open(str(path), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(16_000)
            out.writeframes(pcm.tobytes())
        data = bytearray(path.read_bytes())
        data[40:44] = (0x7000_0000).to_bytes(4, "little")  # the length of `data` (RIFF WAVE, format 1)
    else:
        write_flac(path, pcm)
        data = bytearray(path.read_bytes())
        data[8:12] = b"\xff" * 4  # STREAMINFO (RFC 9639, 8.2): smallest and largest block of 65,535 samples
        data[21] |= 0x0F  # ... and, with the next four bytes, 2^36 - 1 samples in all
        data[22:26] = b"\xff" * 4
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_what_a_header_claims_takes_no_memory(kind, tmp_path):
    path = claims(kind, tmp_path)
    write_flac(tmp_path / "b.flac", np.zeros(1600, np.int16))
    read_sound_file(tmp_path / "b.flac")  # loads what reading sound needs anyway
    tracemalloc.start()
    try:
        with pytest.raises(SoundError, match="cut off|damaged"):
            read_sound_file(path)
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.skipif(os.name == "nt", reason="permissions of POSIX")
def test_what_people_said_is_for_their_eyes(tmp_path):
    """A new flight's folder is its owner's alone, whatever the mask of the process: sound of people is personal."""
    code = f"""
import os, sys
os.umask(0)
sys.path.insert(0, {str(Path(__file__).resolve().parents[2])!r})
from pathlib import Path
from logger_app.logstore.store import Journal
from logger_app.io.sound import write_flac
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.records.journal import FlightInfo
import numpy as np
folder = Path({str(tmp_path)!r}) / "campaign" / "flights" / "day1"
with Journal.create(folder, FlightInfo(id="day1", configuration=None)) as journal, SegmentWriter(folder, journal) as sound:
    sound.write(np.zeros(16000, np.int16))
"""
    subprocess.run([sys.executable, "-c", code], check=True)
    flight = tmp_path / "campaign" / "flights" / "day1"

    assert stat.S_IMODE(flight.stat().st_mode) == 0o700
    assert all(not path.stat().st_mode & stat.S_IWOTH for path in flight.rglob("*") if path.is_file())
