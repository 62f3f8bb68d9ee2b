"""WebVTT time stamps and cue text: W3C WebVTT (the hours may be left out, '.' before the thousandths).

SubRip has no standard; its comma before the thousandths is common practice, no source.
"""

import pytest

from logger_app.errors import SoundError
from logger_app.hear.packs_io import load_pack
from logger_app.hear.transcript_io import is_transcript, read_transcript, transcript_end_s
from logger_app.records.calls import CallKind, Flag


@pytest.fixture(scope="module")
def pack():
    return load_pack("en")


def write(folder, name, text, encoding="utf-8"):
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def short(calls):
    return [(round(c.start_s, 2), c.name, c.value) for c in calls]


def test_csv(tmp_path, pack):
    path = write(
        tmp_path,
        "log.csv",
        'start_s,words\n3.5,that\'s sixty one\n5,58\n6.2,seven\n8,"nice lake, down there"\n9,buffet\n',
    )
    calls = read_transcript(path, pack)

    assert short(calls) == [(3.9, "ias", 61), (5, "ias", 58), (6.2, "ias", 57), (9, "buffet", None)]
    assert all(Flag.TRANSCRIPT in c.flags and c.engine == "transcript" and c.pack == pack.id for c in calls)
    assert Flag.SHORTHAND in calls[2].flags
    assert len({c.id for c in calls}) == 4


def test_csv_of_a_continental_spreadsheet(tmp_path, pack):
    path = write(tmp_path, "log.csv", "Start_S;Words;end_s\n3,5;sixty;4,5\n", "utf-8-sig")

    assert [(c.start_s, c.end_s, c.value) for c in read_transcript(path, pack)] == [(3.5, 4.5, 60)]


def test_webvtt(tmp_path, pack):
    text = (
        "WEBVTT - cockpit\n\nNOTE no call here: 00:00.000\n\n1\n00:03.000 --> 00:05.000 align:start\n<v Pilot>sixty <b>one</b>\n"
        "now\n\n00:01:06.000 --> 00:01:07.000\nwing dropping right\n"
    )
    calls = read_transcript(write(tmp_path, "a.vtt", text), pack)

    assert short(calls) == [(3, "ias", 61), (66, "wing_drop_right", None)]
    assert transcript_end_s(tmp_path / "a.vtt") == 67


def test_subrip(tmp_path, pack):
    text = "1\r\n00:00:03,000 --> 00:00:05,000\r\nfifty-eight ... fifty-seven\r\n\r\n2\r\n00:00:06,000 --> 00:00:07,000\r\n55\r\n"
    calls = read_transcript(write(tmp_path, "a.SRT", text), pack)

    assert [c.value for c in calls] == [58, 57, 55]
    assert calls[0].start_s < calls[1].start_s < 5


def test_a_digit_with_nothing_before_it_says_so(tmp_path, pack):
    (call,) = read_transcript(write(tmp_path, "a.csv", "start_s,words\n1,seven\n"), pack)

    assert call.value == 7 and Flag.NO_DECADE in call.flags


def test_an_airspeed_beside_talk_is_unsure(tmp_path, pack):
    (call,) = read_transcript(write(tmp_path, "a.csv", "start_s,words\n1,erm call it fifty eight\n"), pack)

    assert call.posterior == 0.5 and Flag.UNSURE in call.flags


@pytest.mark.parametrize(
    "said, in_talk",
    [
        ("flaps twenty", False),
        ("and now power twenty one hundred rpm", False),
        ("power sixty five percent as briefed", False),  # named: one side of talk is no doubt
        ("sixty five percent humidity", True),
        ("he has forty five litres left", True),
        ("tower wants flaps twenty from somebody", True),
        ("passing four thousand feet for the lake", False),  # a height sets no test point
    ],
)
def test_a_setting_within_a_sentence_is_marked(tmp_path, pack, said, in_talk):
    (call,) = read_transcript(write(tmp_path, "a.csv", f"start_s,words\n1,{said}\n"), pack)

    assert call.kind is CallKind.SETTING and (Flag.IN_TALK in call.flags) is in_talk


def test_a_transcript_without_calls_gives_none(tmp_path, pack):
    assert read_transcript(write(tmp_path, "a.csv", "start_s,words\n1,hello there\n"), pack) == ()


FAULTY = {
    "no words column": ("a.csv", "start_s,text\n1,sixty\n", "columns start_s and words"),
    "bad time": ("a.csv", "start_s,words\n1,sixty\nsoon,fifty\n", "line 3, start_s: got 'soon'"),
    "negative time": ("a.csv", "start_s,words\n-1,sixty\n", "start_s: got '-1'"),
    "infinite time": ("a.csv", "start_s,words\ninf,sixty\n", "got 'inf'"),
    "ends before": ("a.csv", "start_s,end_s,words\n5,4,sixty\n", "not before start_s"),
    "empty": ("a.csv", "  \n", "is empty"),
    "header only": ("a.csv", "start_s,words\n", "no spoken words"),
    "no WEBVTT": ("a.vtt", "00:01.000 --> 00:02.000\nsixty\n", "expected WEBVTT"),
    "bad stamp": ("a.vtt", "WEBVTT\n\n1:2 --> 3\nsixty\n", "line 3: got '1:2 --> 3'"),
    "stamp upside down": ("a.srt", "1\n00:00:05,000 --> 00:00:03,000\nsixty\n", "an end after the start"),
    "sixty-one minutes": ("a.srt", "1\n00:61:05,000 --> 01:62:03,000\nsixty\n", "two times"),
    "NUL": ("a.csv", "start_s,words\n1,six\0ty\n", "NUL"),
    "another ending": ("a.txt", "sixty\n", "got .txt"),
}


@pytest.mark.parametrize("what", FAULTY)
def test_a_faulty_transcript_is_refused_with_its_place(tmp_path, pack, what):
    name, text, expected = FAULTY[what]
    with pytest.raises(SoundError) as caught:
        read_transcript(write(tmp_path, name, text), pack)

    assert name in str(caught.value) and expected in str(caught.value)


def test_not_utf8(tmp_path, pack):
    with pytest.raises(SoundError, match="not UTF-8"):
        read_transcript(write(tmp_path, "a.csv", "start_s,words\n1,fünf\n", "latin-1"), pack)


def test_all_faulty_lines_at_once(tmp_path, pack):
    with pytest.raises(SoundError) as caught:
        read_transcript(write(tmp_path, "a.csv", "start_s,words\nx,sixty\ny,sixty\n"), pack)

    assert "line 2" in str(caught.value) and "line 3" in str(caught.value)


def test_missing(tmp_path, pack):
    with pytest.raises(SoundError, match="gone.vtt"):
        read_transcript(tmp_path / "gone.vtt", pack)


def test_too_large(tmp_path, pack):
    path = write(tmp_path, "a.csv", "start_s,words\n")
    with open(path, "ab") as file:
        file.truncate(17 * 2**20)
    with pytest.raises(SoundError, match="16 MB"):
        read_transcript(path, pack)


def test_which_files_are_transcripts(tmp_path):
    assert [is_transcript(tmp_path / name) for name in ("a.csv", "b.VTT", "c.srt", "d.wav")] == [
        True,
        True,
        True,
        False,
    ]


def values(tmp_path, *lines):
    text = "\n\n".join(
        f"{k}\n00:00:{2 * k:02d},000 --> 00:00:{2 * k + 1:02d},500\n{line}" for k, line in enumerate(lines, 1)
    )
    path = tmp_path / "log.srt"
    path.write_text(text + "\n", "utf-8")
    return [call.value for call in read_transcript(path, load_pack("en")) if call.kind is CallKind.AIRSPEED]


@pytest.mark.parametrize(
    "lines, expected",
    [
        (("58, 7, 6, 5",), [58, 57, 56, 55]),  # read as 58, 76, 41 before
        (("54", "3, two, one"), [54, 53, 52, 51]),  # 32, 51
        (("54", "3"), [54, 53]),
        (("60 60 60 59",), [60, 60, 60, 59]),
        (("58 5 7",), [58, 57]),  # a number written digit by digit goes on from the one before
        (("15",), [15]),  # 96: a sum of two digits
        (("1-2-3-4-5",), []),  # a number of something: as airspeeds 123 and 45
    ],
)
def test_numbers_as_transcribers_write_them(tmp_path, lines, expected):
    assert values(tmp_path, *lines) == expected


def test_times_spread_over_a_long_line_are_marked(tmp_path):
    path = tmp_path / "log.srt"
    path.write_text("1\n00:00:01,000 --> 00:00:09,000\n60 59 58\n\n2\n00:00:10,000 --> 00:00:11,500\n57 56\n", "utf-8")

    marked = [Flag.TIME_SPREAD in call.flags for call in read_transcript(path, load_pack("en"))]
    assert marked == [False, True, True, False, False]
