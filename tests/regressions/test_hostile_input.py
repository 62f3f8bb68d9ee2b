"""Defects that hostile input found; each was a crash, a hang or a way out of the campaign's folder."""

import gzip
import json
import subprocess
import sys
import textwrap
import wave
from pathlib import Path

import av
import numpy as np
import pytest

from logger_app.errors import (
    CardError,
    LogDamaged,
    LogError,
    PackError,
    ReduceError,
    ReviewError,
    SoundError,
    SyncError,
)
from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import parse_words
from logger_app.hear.transcript_io import read_transcript
from logger_app.io.sound import read_sound_file, write_flac
from logger_app.logstore import codec, schema
from logger_app.logstore.audio_io import journal_segments
from logger_app.logstore.recover import readable_rows, verify
from logger_app.logstore.store import Journal, row_of
from logger_app.plan.cards_io import read_campaign
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.reduce.gps import calibration_point, calibration_tables
from logger_app.reduce.legs_io import read_legs
from logger_app.reduce.trace_io import MAX_SAMPLES, read_trace
from logger_app.review.table import read_changes
from logger_app.sync.media_io import probe
from logger_app.ui.display_io import load_display
from logger_app.ui.theme import Display


def file(folder: Path, name: str, content) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


# ---- transcripts ----


@pytest.mark.parametrize("content", [b"\xef\xbb\xbf", b"\xef\xbb\xbf\n\n", "\u00a0\n".encode()])
def test_a_transcript_of_nothing_but_white_space_is_empty(tmp_path, content):
    """Was a RuntimeError out of a generator: the bytes were not empty, the text was."""
    with pytest.raises(SoundError, match="empty"):
        read_transcript(file(tmp_path, "t.csv", content), load_pack("en"))


def test_brackets_that_never_close_take_time_in_proportion(tmp_path):
    """Was quadratic: two million of them would have held the program for hours."""
    text = "1\n00:00:01,000 --> 00:00:02,000\nfifty " + "<" * 2_000_000 + "{" * 2_000_000 + "\n"

    assert [call.value for call in read_transcript(file(tmp_path, "t.srt", text), load_pack("en"))] == [50.0]


@pytest.mark.timeout(100)
def test_numbers_in_a_row_take_time_in_proportion():
    """Was a fifth of a second for each: every way to read what follows was walked anew, also those that end alike."""
    pack = load_pack("en")
    falling = [word for k in range(750) for word in ("fifty", str(9 - k % 10))]

    assert len(parse_words(falling, pack)) > 100
    assert [] == parse_words([str(k % 10) for k in range(1500)], pack)  # so many digits in a row are a code


def test_a_kept_display_of_nothing_but_brackets_is_the_default(tmp_path):
    """Was a RecursionError."""
    assert load_display(file(tmp_path, "display.json", "[" * 50_000).parent) == Display()


def test_a_header_larger_than_the_csv_reader_takes_is_one_sentence(tmp_path):
    """Was a csv.Error: only the rows under it were guarded."""
    with pytest.raises(SoundError, match="header"):
        read_transcript(file(tmp_path, "t.csv", "a" * 140_000 + ",words\n"), load_pack("en"))
    with pytest.raises(ReviewError, match="line 1"):
        read_changes("a" * 140_000 + ",id\n", [], "calls.csv", 10.0)


# ---- traces ----


def test_a_cell_larger_than_the_csv_reader_takes_is_named_by_its_line(tmp_path):
    path = file(tmp_path, "t.csv", "time_s,ias_kt\n0,60\n1," + "6" * 200_000 + "\n")
    with pytest.raises(ReduceError, match="line 3"):
        read_trace(path)


def test_a_row_without_its_time_is_named(tmp_path):
    """Was a KeyError: the row was shorter than the header."""
    path = file(tmp_path, "t.csv", "ias_kt,utc\n60,2031-05-04T07:12:03Z\n61\n62,2031-05-04T07:12:05Z\n")
    with pytest.raises(ReduceError, match="line 3"):
        read_trace(path)


def test_a_line_break_within_quotes_does_not_shift_the_rows_after_it(tmp_path):
    path = file(tmp_path, "t.csv", 'time_s,ias_kt,note\n0,60,"a\n1,61,b"\n2,62,c\n3,63,d\n')
    trace = read_trace(path)

    assert list(trace.time_s) == [0, 1, 2, 3]
    assert list(trace.columns["ias_kt"]) == [60, 61, 62, 63]


def test_a_time_that_the_calendar_has_and_the_system_has_not(tmp_path):
    path = file(tmp_path, "t.csv", "utc,ias_kt\n0001-01-01T00:00:00,60\n9999-12-31T23:59:59,61\n")
    with pytest.raises(ReduceError, match="line 2|sample"):
        read_trace(path)


GPX = '<gpx><trk><trkseg><trkpt lat="1" lon="2"><time>{}</time></trkpt></trkseg></trk></gpx>'


@pytest.mark.parametrize(
    "content",
    [
        '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">'
        + "".join(f'<!ENTITY b{k} "{"&a;" * 10}">' for k in range(9))
        + "]>"
        + GPX.format("&b8;"),
        '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + GPX.format("&x;"),
        "<a>" * 100_000,
        GPX.format("\n" * 500_000),
    ],
    ids=["entities", "outside", "deep", "long text"],
)
def test_traps_in_gpx_are_refused(tmp_path, content):
    with pytest.raises(ReduceError):
        read_trace(file(tmp_path, "t.gpx", content))


def test_a_trace_has_a_bounded_number_of_points(tmp_path):
    with pytest.raises(ReduceError, match="points at most"):
        read_trace(file(tmp_path, "t.gpx", "<gpx>" + "<trkpt/>" * (MAX_SAMPLES + 2) + "</gpx>"))


LEGS = "set,ias_kt,ground_speed_kt,track_deg,pressure_altitude_ft,oat_degc\n" + "".join(
    f"{number},{ias},{ias + more + number},{track},3000,9\n"
    for number, ias in ((1, 60), (2, 60), (3, 80))
    for track, more in ((0, 2), (90, 6), (180, 10), (270, 6))
)


def test_a_calibration_speed_that_was_flown_twice_counts_as_their_mean(tmp_path):
    """Was a ValueError: the same airspeed stood in the table twice."""
    points = [calibration_point(legs) for legs in read_legs(file(tmp_path, "legs.csv", LEGS))]
    (table,) = calibration_tables(points, "x")

    assert table.ias_kt == (60.0, 80.0)
    assert table.cas_kt[0] == pytest.approx((points[0].cas_kt + points[1].cas_kt) / 2, abs=0.06)
    assert calibration_tables(points[:2], "x") == ()


# ---- campaigns ----


@pytest.mark.parametrize("number", ["9" * 400, "9" * 5000, "-" + "9" * 400])
def test_a_number_of_any_length_is_refused_in_a_sentence(tmp_path, number):
    """Was an OverflowError, and a ValueError from Python's own limit on digits."""
    with pytest.raises(CardError):
        read_campaign(
            file(tmp_path, "campaign.toml", f"[campaign]\nname = {number}\n[aircraft]\nempty_weight_kg = {number}\n")
        )
    with pytest.raises(PackError):
        load_pack(str(file(tmp_path, "callouts.toml", f"[pack]\nname = {number}\n")))


# ---- packs ----


@pytest.mark.parametrize("dictionary", ['"/etc/passwd"', '"../../../../etc/passwd"', "5", '["a"]', '"a\\u0000b"'])
def test_a_pack_names_no_dictionary_outside_its_folder(tmp_path, dictionary):
    path = file(
        tmp_path, "callouts.toml", f'[pack]\nname = "x"\nlanguage = "x"\nversion = "1"\ndictionary = {dictionary}\n'
    )
    with pytest.raises(PackError, match="dictionary"):
        load_pack(str(path))


def test_a_dictionary_that_is_torn_within_its_compression_is_named(tmp_path):
    """Was a zlib.error, which is no OSError."""
    whole = gzip.compress(b"five F AY V\n" * 10_000)
    file(tmp_path, "d.gz", whole[:20] + b"\xff" * 20 + whole[40:])
    path = file(tmp_path, "callouts.toml", '[pack]\nname = "x"\nlanguage = "x"\nversion = "1"\ndictionary = "d.gz"\n')
    with pytest.raises(PackError, match="dictionary"):
        load_pack(str(path))


@pytest.mark.parametrize("name", ["a" * 5000, "a\0b", "../../etc", "/etc/passwd"])
def test_a_pack_name_that_no_file_can_have_is_one_sentence(name):
    with pytest.raises(PackError) as caught:
        load_pack(name)

    assert len(str(caught.value)) < 400


def test_the_sound_of_a_teams_word_is_read_out_of_its_campaign(tmp_path):
    """Was refused: the campaign's phrases arrive in small letters, and phones are written in capitals."""
    text = (Path(__file__).resolve().parents[2] / "demo_sessions/sparrow_cuffs/inputs/campaign.toml").read_text("utf-8")
    words = '[team.words]\nmark = ["kiaora/K IY AO R AH/ now"]\n'
    campaign = read_campaign(file(tmp_path, "campaign.toml", text.replace("[team.words]\n", words)))

    assert load_pack("en", campaign).pronunciations("kiaora") == ("K IY AO R AH",)


HEAD = '[pack]\nname = "x"\nlanguage = "x"\nversion = "1"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[airspeed]\nhigh = 1e9\n", "airspeed"),
        (f"[airspeed]\nhigh = {'9' * 400}\n", "airspeed.high"),
        ("[airspeed]\nlow = nan\n", "airspeed.low"),
        ("[airspeed]\nshorthand = [1]\n", "shorthand"),
        (f"[number.n.words]\na = {'9' * 400}\n", "number.n"),
        ("[number.n]\nwords = 5\n", "number.n, words"),
        ("[number.n]\nrules = 5\n", "number.n, rules"),
        ('[number.n]\nrules = [{ say = "a", times = 5 }]\n', "times"),
        ("[pronounce]\na = 5\n", "pronounce, a"),
        ("[pronounce]\na = [5]\n", "pronounce, a"),
        ("event = [5]\n", "event 1"),
        ('[[event]]\nname = "a"\nsay = ["a"]\nunit = [1]\n', "unit"),
        ('[[setting]]\nname = "a"\nsay = ["<n>"]\nstep = 0\n[number.n.words]\na = 1\n', "step"),
        (f'[[event]]\nname = "a"\nsay = ["{"(" * 150}a{")" * 150}"]\n', "deep"),
        (f'[[event]]\nname = "a"\nsay = ["{"a " * 20_000}"]\n', "characters"),
        (
            '[[event]]\nname = "a"\nsay = ["'
            + "<n> " * 12
            + '"]\n[number.n.words]\n'
            + "".join(f"w{k} = {k}\n" for k in range(99)),
            "readings",
        ),
        (
            '[airspeed]\nsay = ["'
            + "<n> " * 12
            + '"]\n[number.n.words]\n'
            + "".join(f"w{k} = {k}\n" for k in range(99)),
            "readings",
        ),
    ],
)
def test_a_pack_that_asks_for_too_much_or_the_wrong_thing_is_refused(tmp_path, text, said):
    """Were a TypeError, an OverflowError, a MemoryError, a ZeroDivisionError, a RecursionError or no end."""
    top, table = (text, "") if text.startswith("event") else ("", text)
    with pytest.raises(PackError, match=said):
        load_pack(str(file(tmp_path, "callouts.toml", top + HEAD + table)))


def test_a_message_is_as_long_as_a_person_reads(tmp_path):
    """Was as long as what stood in the file, and obeyed by a terminal."""
    keys = "".join(f'"{"k" * 9000}\\u001b[2J{k}" = 1\n' for k in range(300))
    with pytest.raises(CardError) as caught:
        read_campaign(file(tmp_path, "campaign.toml", f"[aircraft]\n{keys}"))

    assert len(str(caught.value)) < 100_000 and "more" in str(caught.value)
    assert max(map(len, str(caught.value).split("\n"))) < 4_500
    assert "\x1b" not in str(caught.value) and "\\x1b" in str(caught.value)
    assert len(caught.value.faults) >= 300


# ---- sound ----


def test_a_playlist_in_a_sound_file_opens_no_other_file(tmp_path):
    """FFmpeg's list formats are recognised by content: this one played a file that was never named."""
    write_flac(tmp_path / "private.flac", np.zeros(16000, np.int16))
    for name, text in (
        ("a.wav", "ffconcat version 1.0\nfile private.flac\n"),
        ("b.wav", "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:1,\nprivate.flac\n#EXT-X-ENDLIST\n"),
        ("c.m3u8", "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:1,\nhttp://127.0.0.1:9/a.aac\n#EXT-X-ENDLIST\n"),
        ("d.sdp", "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=audio 5004 RTP/AVP 0\n"),
    ):
        with pytest.raises(SoundError):
            read_sound_file(file(tmp_path, name, text))


@pytest.mark.parametrize(
    ("at", "put"), [(20, b"\x77\x77"), (22, b"\xff\x00"), (22, b"\x00\x80"), (34, b"\xff\xff"), (24, b"\xff" * 4)]
)
def test_a_wav_header_that_cannot_be_is_a_damaged_file(tmp_path, at, put):
    """Format tag, channels, bits and rate: were an AttributeError and FFmpeg's own error."""
    with wave.open(str(tmp_path / "a.wav"), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(16000)
        out.writeframes(bytes(32000))
    whole = (tmp_path / "a.wav").read_bytes()
    with pytest.raises(SoundError):
        read_sound_file(file(tmp_path, "b.wav", whole[:at] + put + whole[at + len(put) :]))


@pytest.mark.timeout(60)
@pytest.mark.parametrize("rate_hz", [1, 100, 1_996_504_704, 0x7FFFFFFF])
def test_a_rate_that_nobody_records_at_is_refused(tmp_path, rate_hz):
    """Two thousand million samples a second made the filter to 16 kHz take minutes and gigabytes."""
    with wave.open(str(tmp_path / "a.wav"), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes(bytes(4000))
    with pytest.raises(SoundError, match="samples a second|damaged|cannot"):
        read_sound_file(tmp_path / "a.wav")


def camera(folder: Path) -> bytes:
    """A camera file with a few pictures and a little sound."""
    with av.open(str(folder / "cam.mp4"), "w") as box:
        seen, heard = box.add_stream("mpeg4", rate=25), box.add_stream("aac", rate=16000)
        seen.width, seen.height, seen.pix_fmt, heard.layout = 64, 48, "yuv420p", "mono"
        for k in range(5):
            box.mux(seen.encode(av.VideoFrame.from_ndarray(np.full((48, 64, 3), 40 * k, np.uint8), format="rgb24")))
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 4096), np.int16), format="s16", layout="mono")
        sound.sample_rate = 16000
        box.mux(heard.encode(sound))
        for stream in (seen, heard):
            box.mux(stream.encode(None))
    return (folder / "cam.mp4").read_bytes()


def test_a_camera_of_a_coding_that_is_not_known_is_one_sentence(tmp_path):
    """Was an AttributeError: such a stream has no decoder."""
    whole = camera(tmp_path)
    # The kind of coding stands in the sample entry, and for these two again in the descriptor (ISO/IEC 14496-1) behind it.
    unseen = whole.replace(b"mp4v", b"zzzz").replace(b"esds", b"xxxx", 1)
    with pytest.raises(SyncError, match="format is not supported"):
        probe(file(tmp_path, "a.mp4", unseen))

    before, _, after = whole.replace(b"mp4a", b"zzzz").rpartition(b"esds")
    unheard = file(tmp_path, "b.mp4", before + b"xxxx" + after)
    assert probe(unheard).sound_hz is None and probe(unheard).width == 64
    with pytest.raises(SoundError, match="format is not supported"):
        read_sound_file(unheard)


def test_a_camera_that_says_it_runs_for_days_is_damaged(tmp_path):
    """By ISO/IEC 14496-12: `mdhd` has the time scale behind version, flags and two dates, `stts` how long each sample lasts."""
    whole = bytearray(camera(tmp_path).replace(b"edts", b"xdts"))
    for box, skip, number in ((b"mdhd", 12, 1), (b"mdhd", 16, 500_000), (b"stts", 12, 100_000)):
        at = whole.index(box) + len(box) + skip
        whole[at : at + 4] = number.to_bytes(4, "big")
    with pytest.raises(SyncError, match="damaged"):
        probe(file(tmp_path, "a.mp4", bytes(whole)))


# ---- journals from elsewhere ----


@pytest.mark.parametrize("name", ["../../other", "/etc", "..", "a\\b", "", 5, ["a"], None])
def test_a_flight_whose_name_leads_out_of_the_campaign_is_refused(name):
    """The name is where sound, traces and pictures of the flight are looked for."""
    with pytest.raises(LogDamaged, match="name"):
        codec.body_to_info({"name": name})


@pytest.mark.parametrize("body", ["{", "[" * 100_000, "9" * 5000, "[]", "null", '"a"'])
def test_a_row_with_a_right_checksum_and_no_body_is_damaged(body):
    facts = (1, "note-0001", 0, "", "note", body)

    assert row_of((*facts, schema.checksum(*facts))) is None


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("media", {}),
        ("media", {"file": 5}),
        ("media", {"file": []}),
        ("media", {"file": "a\0b"}),
        ("media", {"file": ""}),
        ("media", {"file": "a", "duration_s": "9"}),
        ("media", {"file": "a", "duration_s": 1e300}),
        ("media", {"file": "a", "camera": {}}),
        ("clock_map", {"source": []}),
        ("clock_map", {}),
        ("step", {"step": []}),
        ("step", {"by": {}}),
        ("step", {"point": 5}),
        ("step", {"call": [1]}),
        ("second", {"heard": [5]}),
        ("second", {"heard": {"a": 1}}),
        ("second", {"heard": [{"start_ns": 1e300}]}),
        ("second", {"call": []}),
        ("erased", {"files": 5}),
        ("erased", {"files": [[]]}),
    ],
)
def test_a_row_whose_body_has_another_form_is_damaged(kind, body):
    """Were a KeyError, a TypeError or an AttributeError wherever such a row was used: these have no record of their own."""
    facts = (1, "row-0001", 0, "", kind, json.dumps(body))

    assert row_of((*facts, schema.checksum(*facts))) is None


def test_a_name_in_a_torn_journal_that_is_no_text_is_damage(tmp_path):
    """Was a UnicodeDecodeError out of SQLite's own message."""
    flight = tmp_path / "day1"
    Journal.create(flight, FlightInfo(id="day1", configuration=None)).close()
    path = flight / "flight.sqlite"
    whole = path.read_bytes()
    for written in (b"flight_ns INTEGER", b"CREATE TABLE fact"):
        at = whole.index(written)
        path.write_bytes(whole[: at + 3] + b"\xff" + whole[at + 4 :])
        for use in (verify, readable_rows, lambda folder: Journal.open(folder, read_only=True).flight_body()):
            try:
                use(flight)
            except LogError as err:
                assert str(err)


@pytest.mark.parametrize("samples", [[], "", {}, True, -1, 10**30, 1.5])
def test_a_segment_whose_length_is_no_number_is_damage(tmp_path, samples):
    """An empty list passed for "not known yet" and was a TypeError later."""
    body = {"file": "audio/0000.wav", "first_sample": 0, "samples": samples, "rate_hz": 16000}
    with Journal.create(tmp_path / "day1", FlightInfo(id="day1", configuration=None)) as journal:
        journal.append([JournalRow(id="a1", flight_ns=0, utc="", kind=RowKind.AUDIO, body=body)])
        with pytest.raises(LogDamaged):
            journal_segments(journal)


@pytest.mark.parametrize("proposal", [{}, {"call": []}, {"call": "c", "value": {}}])
def test_a_proposal_that_cannot_be_read_is_damage(proposal):
    with pytest.raises(LogDamaged, match="proposal"):
        codec.body_to_proposal(proposal)


def test_an_infinite_gap_is_damage():
    """Was an OverflowError."""
    with pytest.raises(LogDamaged):
        codec.body_to_gap({"start_ns": 0, "end_ns": float("inf"), "why": ""})


# ---- memory ----


def test_large_files_are_refused_in_bounded_memory(tmp_path):
    """Every reader with a file of gigabytes (a hole, so that it costs no disk) under 1.5 GB of memory."""
    code = textwrap.dedent(
        f"""
        import argparse, os, resource, sys
        sys.path.insert(0, {str(Path(__file__).resolve().parents[2])!r})
        from pathlib import Path
        from logger_app.errors import LoggerError
        from logger_app.hear.packs_io import load_pack
        from logger_app.hear.transcript_io import read_transcript
        from logger_app.plan.cards_io import read_campaign
        from logger_app.reduce.trace_io import read_trace
        from logger_app.workflows.review import ReviewWorkflow
        pack = load_pack("en")
        resource.setrlimit(resource.RLIMIT_AS, (1_500_000_000,) * 2)
        for name, read in (
            ("campaign.toml", read_campaign), ("p.toml", lambda p: load_pack(str(p))), ("t.csv", read_trace), ("t.gpx", read_trace),
            ("t.nmea", read_trace), ("u.csv", lambda p: read_transcript(p, pack)), ("t.vtt", lambda p: read_transcript(p, pack)),
            ("r.csv", lambda p: ReviewWorkflow.take_table(None, p)),
        ):
            path = Path({str(tmp_path)!r}) / name
            with path.open("wb") as out:
                out.truncate(8_000_000_000)
            try:
                read(path)
            except LoggerError as err:
                print(name, len(str(err)) < 500)
            path.unlink()
        """
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)

    assert shown.returncode == 0, shown.stderr
    assert shown.stdout.split()[1::2] == ["True"] * 8
