"""Subtitles, read back by FFmpeg's own readers (through PyAV), which know nothing of us."""

import av
import pytest

from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.clocks import ClockMap
from logger_app.review.subtitles import cues, to_srt, to_webvtt


def call(id, at_s, value=58.0, kind=CallKind.AIRSPEED, name="ias", status=CallStatus.CONFIRMED):
    ns = round(at_s * 1e9)
    return ReviewedCall(id=id, flight_ns=ns, end_ns=ns, kind=kind, name=name, value=value, unit="kt", status=status)


CALLS = [
    call("c2", 11.0, 57.0),
    call("c1", 10.0),
    call("e1", 3723.25, None, CallKind.EVENT, "wing_drop", CallStatus.HEARD),
    call("no", 12.0, status=CallStatus.REJECTED),
]


def read_back(path):
    with av.open(str(path)) as container:
        stream = container.streams.subtitles[0]
        return [
            (
                round(float(p.pts * p.time_base), 3),
                round(float((p.pts + p.duration) * p.time_base), 3),
                bytes(p).decode(),
            )
            for p in container.demux(stream)
            if p.pts is not None and p.size
        ]


@pytest.mark.parametrize(("suffix", "write"), [("vtt", to_webvtt), ("srt", to_srt)])
def test_an_independent_reader_sees_the_same_times_and_words(tmp_path, suffix, write):
    path = tmp_path / f"calls.{suffix}"
    path.write_text(write(cues(CALLS, {"c1": ("3", "A1")})), encoding="utf-8")

    assert read_back(path) == [
        (10.0, 11.0, "58 kt · run 3 A1"),
        (11.0, 12.5, "57 kt"),
        (3723.25, 3724.75, "wing drop (not reviewed)"),
    ]


def test_on_a_cameras_clock_and_only_while_it_ran():
    clock = ClockMap(source="wing.mp4", offset_s=4.0, drift_ppm=50.0, valid_from_s=0.0, valid_to_s=100.0)
    made = cues(CALLS, {}, clock)

    assert [round(c.start_s, 3) for c in made] == [6.0, 7.0]
    assert clock.to_flight_s(made[0].start_s) == pytest.approx(10.0)


def test_words_cannot_break_the_file():
    evil = call("x", 1.0, "a\n\n00:00 --> 00:09 <b>&", CallKind.EVENT, "say")

    assert "&lt;b&gt;&amp;" in to_webvtt(cues([evil], {}))
    assert to_webvtt(cues([evil], {})).count("-->") == 1
    assert to_srt(cues([evil], {})).count("-->") == 1


def test_cues_never_overlap_and_are_never_empty():
    made = cues([call(str(k), 10 + 0.05 * k) for k in range(5)], {})

    assert all(c.end_s > c.start_s for c in made)


def test_a_call_stays_for_a_second_and_a_half_or_to_the_next_but_a_fifth_at_least():
    made = cues([call("a", 10), call("b", 10.1), call("c", 11.1), call("d", 20)], {})

    assert [(c.start_s, round(c.end_s, 3)) for c in made] == [(10, 10.2), (10.1, 11.1), (11.1, 12.6), (20, 21.5)]


def test_calls_before_a_camera_ran_are_left_out_and_its_first_moment_is_not():
    clock = ClockMap(source="wing.mp4", offset_s=10.0, valid_from_s=-5.0, valid_to_s=100.0)

    assert [c.start_s for c in cues([call("a", 9.5), call("b", 10.0), call("c", 12.0)], {}, clock)] == [0.0, 2.0]


@pytest.mark.parametrize(
    "made, text",
    [
        (call("x", 1, None), "airspeed ?"),
        (call("x", 1, 58.5), "58.5 kt"),
        (call("x", 1, 15.0, CallKind.SETTING, "flap"), "flap 15 kt"),
        (call("x", 1, "left", CallKind.EVENT, "wing_drop"), "wing drop left kt"),
        (call("x", 1, None, CallKind.EVENT, "buffet", CallStatus.HEARD), "buffet (not reviewed)"),
    ],
)
def test_the_words_of_a_cue(made, text):
    assert cues([made], {})[0].text == text


def test_times_beyond_an_hour_and_to_the_millisecond():
    (made,) = cues([call("x", 2 * 3600 + 3 * 60 + 4.5678)], {})

    assert "02:03:04.568 --> 02:03:06.068" in to_webvtt([made])
    assert to_srt([made]).startswith("1\n02:03:04,568 --> 02:03:06,068\n")


def test_the_last_but_one_ends_where_the_last_begins():
    assert [c.end_s for c in cues([call("a", 10), call("b", 11)], {})] == [11, 12.5]


def test_the_last_tenth_of_a_minute():
    assert "00:00:59.950 --> 00:01:01.450" in to_webvtt(cues([call("a", 59.95)], {}))
