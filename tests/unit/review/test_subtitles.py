"""Subtitles, read back by FFmpeg's own readers (through PyAV), which know nothing of us."""

import av
import pytest

from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.clocks import ClockMap
from logger_app.review.subtitles import cues, to_srt, to_webvtt


def call(id, at_s, value=58.0, kind=CallKind.AIRSPEED, name="ias", status=CallStatus.CONFIRMED):
    ns = round(at_s * 1e9)
    return ReviewedCall(
        id=id, flight_ns=ns, end_ns=ns, kind=kind, name=name, value=value, unit="kt", status=status
    )


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
