"""Every reader against hostile input: it gives records or a `LoggerError`, and nothing else.

Valid files are broken in ways that know their structure (a number, a word, a mark at a time) and in
ways that do not (bytes flipped, cut, doubled). `KNEECALL_FUZZ=2000` runs that many examples each.
Each example runs under an alarm, so that a reader that hangs fails instead of holding the suite.
"""

import json
import os
import re
import signal
import tempfile
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from fuzz import made_calls
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger_app.errors import LogDamaged, LoggerError
from logger_app.io.sound import RATE_HZ, encode_opus, open_sound, write_flac

EXAMPLES = int(os.environ.get("KNEECALL_FUZZ", "30"))
fuzz = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize="KNEECALL_FUZZ" not in os.environ,
    suppress_health_check=list(HealthCheck),
    database=None,
)
ROOT = Path(__file__).resolve().parents[2]
HANG_S = 60

NASTY = [
    b"",
    b"\0",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    "\u2028\u202e\U0001f6e9".encode(),
    b"\r",
    b"\n",
    b'"',
    b"'",
    b"'''",
    b'"""',
    b"=",
    b"=HYPERLINK(1)",
    b"../../../etc/passwd",
    b"/etc/passwd",
    b"..",
    b"<script>alert(1)</script>",
    b"[" * 3000,
    b"{" * 3000,
    b"<" * 3000,
    b"a" * 140_000,
    b"&a;",
    b'<!DOCTYPE x [<!ENTITY a "b">]>',
    b"true",
    b"[]",
    b"{}",
    b"[[]]",
    b"1979-05-27T07:32:00Z",
    b"-->",
    b",,,,",
    b";",
    b"\t",
    b"*",
    b"$",
    b"#",
    "٣".encode(),
    "½".encode(),
]
NUMBERS = [
    b"0",
    b"-1",
    b"1e400",
    b"-1e400",
    b"nan",
    b"inf",
    b"-inf",
    b"9" * 400,
    b"9" * 5000,
    b"1e308",
    b"1e-320",
    b"0x7f",
    b"1_0",
    b"1,5",
    b"00",
    b"0.0",
    b"-0.0",
    b"18446744073709551616",
    b"1e20",
]


@st.composite
def broken(draw, valid: bytes) -> bytes:
    """A valid file with one to four things wrong with it."""
    data = valid
    for _ in range(draw(st.integers(1, 4))):
        how = draw(st.sampled_from(["number", "word", "line", "flip", "insert", "cut", "twice", "end"]))
        if how in ("number", "word", "line"):
            pattern = {"number": rb"-?\d+(?:\.\d+)?", "word": rb"[A-Za-z_]{2,}", "line": rb"[^\n]+"}[how]
            found = list(re.finditer(pattern, data[:200_000]))
            if found:
                at = found[draw(st.integers(0, len(found) - 1))]
                data = data[: at.start()] + draw(st.sampled_from(NUMBERS + NASTY)) + data[at.end() :]
            continue
        a, b = sorted((draw(st.integers(0, len(data))), draw(st.integers(0, len(data)))))
        if how == "flip" and a < len(data):
            data = data[:a] + bytes([draw(st.integers(0, 255))]) + data[a + 1 :]
        elif how == "insert":
            data = data[:a] + draw(st.sampled_from(NASTY + NUMBERS)) + data[a:]
        elif how == "cut":
            data = data[:a] + data[b:]
        elif how == "twice":
            data = data[:b] + data[a:b] + data[b:]
        elif how == "end":
            data = data[:a]
    return data


def hostile(valid: bytes):
    """Mostly broken valid files, some noise."""
    return st.one_of(
        broken(valid), broken(valid), broken(valid), st.binary(max_size=400), st.text(max_size=200).map(_bytes)
    )


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


@contextmanager
def no_hang():
    def ring(*_):
        raise AssertionError(f"still reading after {HANG_S} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(HANG_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def check(read, data: bytes, name: str) -> None:
    """`read(path)` gives something or raises a `LoggerError` with a message."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        before = sorted(p.name for p in Path(folder).iterdir())
        with no_hang():
            try:
                read(path)
            except LoggerError as err:
                assert str(err).strip()
        assert sorted(p.name for p in Path(folder).iterdir()) == before


# ---- campaign and packs -----------------------------------------------------------------------------

CAMPAIGN = (ROOT / "demo_sessions/sparrow_cuffs/inputs/campaign.toml").read_bytes()
EMPTY_PACK = (ROOT / "grammar/en/callouts.toml").read_bytes()


@fuzz
@given(hostile(CAMPAIGN))
def test_campaign(data):
    from logger_app.plan.advice import advise
    from logger_app.plan.cards_io import missing_photos, read_campaign
    from logger_app.plan.summary import plan_document, plan_text

    def read(path):
        campaign = read_campaign(path)
        missing_photos(path, campaign)
        plan_document(campaign)
        plan_text(campaign)
        advise(campaign)

    check(read, data, "campaign.toml")


@fuzz
@given(hostile(EMPTY_PACK))
def test_pack(data):
    from logger_app.hear.packs_io import load_pack

    check(lambda path: load_pack(str(path)), data, "callouts.toml")


@fuzz
@given(st.text(max_size=60), st.sampled_from(["", "/etc/passwd", "../../x", "\0", "a" * 5000, "https://example.org/p"]))
def test_pack_name(text, other):
    from logger_app.hear.packs_io import load_pack

    for name in (text, other):
        try:
            load_pack(name or "-")
        except LoggerError as err:
            assert str(err)


# ---- traces and calibration legs --------------------------------------------------------------------

TRACE = b"""utc,ias_kt,altitude_m,track_deg,latitude_deg,longitude_deg
2031-05-04T07:12:03Z,62,1500,180,47.1,8.2
2031-05-04T07:12:04Z,61,1499,181,47.1001,8.2
2031-05-04T07:12:05Z,60,1498,181,47.1002,8.2
"""
GPX = b"""<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>
<trkpt lat="47.1" lon="8.2"><ele>1500</ele><time>2031-05-04T07:12:03Z</time><speed>31</speed></trkpt>
<trkpt lat="47.11" lon="8.2"><ele>1501</ele><time>2031-05-04T07:12:04Z</time></trkpt>
<trkpt lat="47.12" lon="8.2"><ele>1502</ele><time>2031-05-04T07:12:05Z</time></trkpt></trkseg></trk></gpx>
"""
NMEA = b"""$GPRMC,071203.00,A,4706.00,N,00812.00,E,60.1,180.0,040531,,
$GPGGA,071203.00,4706.00,N,00812.00,E,1,08,0.9,1500.0,M,46.9,M,,
$GPRMC,071204.00,A,4705.90,N,00812.00,E,60.2,180.0,040531,,
$GPGGA,071204.00,4705.90,N,00812.00,E,1,08,0.9,1499.0,M,46.9,M,,
"""
LEGS = b"set,ias_kt,ground_speed_kt,track_deg,pressure_altitude_ft,oat_degc,flap_deg\n" + b"".join(
    b"%d,%d,%d,%d,3000,9,0\n" % (k, ias, ias + more, track)
    for k, ias in ((1, 60), (2, 80))
    for track, more in ((0, 2), (90, 6), (180, 10), (270, 6))
)


@pytest.mark.parametrize(("name", "valid"), [("t.csv", TRACE), ("t.gpx", GPX), ("t.nmea", NMEA)])
def test_trace(name, valid):
    from logger_app.reduce.trace_io import read_trace

    @fuzz
    @given(hostile(valid))
    def run(data):
        check(read_trace, data, name)

    run()


@fuzz
@given(hostile(LEGS))
def test_legs(data):
    from logger_app.reduce.gps import calibration_point, calibration_tables
    from logger_app.reduce.legs_io import read_legs

    check(lambda path: calibration_tables([calibration_point(legs) for legs in read_legs(path)], "x"), data, "legs.csv")


# ---- transcripts, and the review's table ------------------------------------------------------------

SRT = b"1\n00:00:02,000 --> 00:00:03,500\non condition\n\n2\n00:00:04,000 --> 00:00:05,000\n<i>fifty eight</i>, seven {x}\n"
VTT = b"WEBVTT\n\n" + SRT.replace(b",", b".")
CSV = b"start_s,end_s,words\n2,3.5,on condition\n4,5,fifty eight\n6,,seven\n"


@pytest.mark.parametrize(("name", "valid"), [("t.csv", CSV), ("t.vtt", VTT), ("t.srt", SRT)])
def test_transcript(name, valid):
    from logger_app.hear.packs_io import load_pack
    from logger_app.hear.sequence import read_sequence
    from logger_app.hear.transcript_io import read_transcript, transcript_end_s

    pack = load_pack("en")

    @fuzz
    @given(hostile(valid))
    def run(data):
        check(lambda path: (read_sequence(read_transcript(path, pack)), transcript_end_s(path)), data, name)

    run()


def test_review_import():
    from logger_app.review.check import Current, correct
    from logger_app.review.table import read_changes, to_csv

    calls = made_calls()
    now = Current(calls=calls, duration_ns=10**10)

    def read(path):
        changes = read_changes(path.read_text("utf-8", "replace"), calls, str(path), 10.0)
        for action, target, why, payload in (*changes.wanted, *(one for c in changes.conflicts for one in c.wanted)):
            correct(
                now, action, target or "new", id="fix", utc="2031-05-04T07:12:03Z", who="a pilot", why=why, **payload
            )

    @fuzz
    @given(hostile(to_csv(calls, {}).encode()))
    def run(data):
        check(read, data, "calls.csv")

    run()


# ---- journal rows -----------------------------------------------------------------------------------

odd = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.just(10**400)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["ias", "airspeed", "call-0001", "../../x", "kt", "set", "add"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


def bodies():
    from logger_app.logstore import codec
    from logger_app.records.calls import Action, Alternative, CallKind, CaptureGap, Correction, HeardCall
    from logger_app.records.clocks import ClockMap
    from logger_app.records.journal import FlightInfo

    call = HeardCall(
        id="call-0001",
        start_ns=10,
        end_ns=20,
        kind=CallKind.AIRSPEED,
        name="ias",
        value=58.0,
        unit="kt",
        words="fifty eight",
        alternatives=(Alternative(kind=CallKind.AIRSPEED, name="ias", value=50.0, posterior=0.1),),
        word_times=(("a", 1, 2),),
    )
    fix = Correction(id="fix-1", utc="", who="a", action=Action.SET, target="call-0001", payload=(("value", 57.0),))
    info = FlightInfo(id="day1", configuration="base", loading_items=(("crew", 90.0),), fuel_l=50.0)
    return [
        (codec.call_to_body(call), codec.body_to_call),
        (codec.correction_to_body(fix), codec.body_to_correction),
        (codec.gap_to_body(CaptureGap(start_ns=1, end_ns=2, why="x")), codec.body_to_gap),
        (
            codec.clock_map_to_body(ClockMap(source="cam", offset_s=1.0, evidence=(("a", 1.0),))),
            codec.body_to_clock_map,
        ),
        (codec.info_to_body(info), codec.body_to_info),
    ]


@fuzz
@given(st.data())
def test_journal_bodies(data):
    """A body with odd values is refused, or gives a record that bears to be used and written again."""
    for valid, read in bodies():
        body = dict(valid)
        for key in data.draw(st.lists(st.sampled_from(sorted(body)), min_size=1, max_size=3)):
            body[key] = data.draw(odd)
        for hostile_body in (body, data.draw(odd)):
            try:
                record = read(hostile_body)
            except LogDamaged as err:
                assert "\n" not in str(err)
                continue
            hash(record)
            repr(getattr(record, "as_json", dict)())


@fuzz
@given(st.data())
def test_a_flight_of_odd_rows(data):
    """Rows with right checksums but odd bodies: the flight loads, or it is said to be damaged."""
    from logger_app.plan.cards_io import read_campaign
    from logger_app.records.journal import FlightInfo, JournalRow, RowKind
    from logger_app.workflows.campaign import flight_from_rows

    campaign = read_campaign(ROOT / "demo_sessions/sparrow_cuffs/inputs")
    kinds = (RowKind.CALL, RowKind.CORRECTION, RowKind.GAP, RowKind.STEP, RowKind.PROPOSAL, RowKind.FLIGHT)
    good = {
        RowKind.CALL: bodies()[0][0],
        RowKind.CORRECTION: bodies()[1][0],
        RowKind.GAP: bodies()[2][0],
        RowKind.STEP: {"step": "card", "point": "A1", "by": "touch"},
        RowKind.PROPOSAL: {"call": "call-0001", "value": 57.0},
        RowKind.FLIGHT: bodies()[4][0],
    }
    rows = []
    for k in range(data.draw(st.integers(1, 5))):
        kind = data.draw(st.sampled_from(kinds))
        body = dict(good[kind])
        if data.draw(st.booleans()):
            body[data.draw(st.sampled_from(sorted(body)))] = data.draw(odd)
        rows.append(JournalRow(id=f"r{k}", flight_ns=k, utc="", kind=kind, body=body, seq=k + 1))
    with no_hang():
        try:
            flight_from_rows(campaign, FlightInfo(id="day1", configuration=None), rows, 10**10)
        except LoggerError as err:
            assert str(err)


@fuzz
@given(odd, st.text(max_size=30), st.sampled_from(["{", "[" * 5000, "9" * 5000, "NaN", "[]", "null", '"a"', "1e999"]))
def test_stored_records(value, text, body):
    """What SQLite may hold in place of a row: it is a row, or it is known to be damaged."""
    from logger_app.logstore import schema
    from logger_app.logstore.store import row_of

    for at_ns, stored in ((1, body), (1, text), (1, json.dumps(value, default=str)), (value, "{}"), (text, "{}")):
        facts = (1, "note-0001", at_ns, "", "note", stored)
        try:
            row = row_of((*facts, schema.checksum(*facts)))
        except LoggerError as err:
            assert str(err)
            continue
        assert row is None or (isinstance(row.body, dict) and isinstance(row.flight_ns, int))


# ---- sound ------------------------------------------------------------------------------------------


def sounds() -> dict[str, bytes]:
    """Half a second of noise in each container."""
    import io
    import wave

    import av

    pcm = np.random.default_rng(1).integers(-3000, 3000, RATE_HZ // 2).astype(np.int16)
    held = io.BytesIO()
    with wave.open(held, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(pcm.tobytes())
    files = {"a.wav": held.getvalue(), "a.opus": encode_opus(pcm)}
    with tempfile.TemporaryDirectory() as folder:
        write_flac(Path(folder) / "a.flac", pcm)
        files["a.flac"] = (Path(folder) / "a.flac").read_bytes()
        for name, codec in (("a.mp4", "aac"), ("a.mp3", "libmp3lame"), ("a.mkv", "aac")):
            with av.open(str(Path(folder) / name), "w") as box:
                stream = box.add_stream(codec, rate=RATE_HZ)
                stream.layout = "mono"
                frame = av.AudioFrame.from_ndarray(pcm[None], format="s16", layout="mono")
                frame.sample_rate = RATE_HZ
                for part in (frame, None):
                    for packet in stream.encode(part):
                        box.mux(packet)
            files[name] = (Path(folder) / name).read_bytes()
    return files


def listen(path: Path) -> None:
    heard = 0
    with open_sound(path) as stream:
        assert stream.start_s == stream.start_s
        for block in stream.blocks(1.0):
            assert block.dtype == np.int16 and block.ndim == 1 and len(block) <= RATE_HZ
            heard += len(block)
            if heard > 120 * RATE_HZ:  # what streams on and on in constant memory is bounded elsewhere
                break


@pytest.mark.parametrize("name", ["a.wav", "a.opus", "a.flac", "a.mp4", "a.mp3", "a.mkv"])
def test_sound(name):
    valid = sounds()[name]

    @fuzz
    @given(hostile(valid), st.integers(0, 120), st.binary(min_size=1, max_size=4))
    def run(data, at, put):
        check(listen, data, name)
        # Headers decide most: one field of theirs at a time.
        check(listen, valid[:at] + put + valid[at + len(put) :], name)

    run()


@pytest.mark.parametrize("name", ["0000.wav", "0000.flac"])
def test_a_flights_own_sound(name):
    """Segments that anything may have happened to: sound or silence for them, or said to be damaged."""
    from logger_app.logstore.audio_io import read_sound, sound_duration_s
    from logger_app.logstore.recover import verify
    from logger_app.logstore.store import Journal
    from logger_app.records.journal import FlightInfo, JournalRow, RowKind

    valid = sounds()["a" + name[4:]]

    @settings(fuzz, max_examples=max(10, EXAMPLES // 3))
    @given(hostile(valid), st.data())
    def run(content, data):
        with tempfile.TemporaryDirectory() as folder:
            flight = Path(folder) / "day1"
            body = {
                "file": f"audio/{name}",
                "first_sample": 0,
                "samples": RATE_HZ // 2,
                "rate_hz": RATE_HZ,
                "source": "x",
            }
            if data.draw(st.booleans()):
                body[data.draw(st.sampled_from(sorted(body)))] = data.draw(odd)
            with Journal.create(flight, FlightInfo(id="day1", configuration=None)) as journal:
                try:
                    journal.append([JournalRow(id="a1", flight_ns=0, utc="", kind=RowKind.AUDIO, body=body)])
                except (LoggerError, ValueError):  # a value that JSON does not have: a mistake of ours, not the user's
                    return
            (flight / "audio").mkdir()
            (flight / "audio" / name).write_bytes(content)
            with no_hang():
                for use in (verify, sound_duration_s, lambda path: read_sound(path, 0.0, 1.0)):
                    try:
                        use(flight)
                    except LoggerError as err:
                        assert str(err)

    run()
