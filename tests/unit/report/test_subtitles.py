"""WebVTT on the clocks of the cameras."""

import re

import av
import pytest

from logger_app.domain.cameras import CameraFile
from logger_app.records.clocks import ClockMap
from logger_app.report.subtitles import file_name, flight_subtitles
from logger_app.report.view import PageBuilder


@pytest.fixture
def flights(example):
    builder = PageBuilder(example.campaign)
    return [builder.add(data, ()) for data in example.flights]


def all_subtitles(flights, cameras):
    """As the report writes them, one flight after another."""
    files = {}
    for flight in flights:
        files |= flight_subtitles(flight, cameras, files)
    return files


def cues(path):
    """(start, text) as FFmpeg's own reader of WebVTT sees them."""
    with av.open(str(path)) as box:
        return [(float(p.pts * p.time_base), bytes(p).decode()) for p in box.demux() if p.pts is not None and p.size]


def test_an_independent_reader_finds_every_call_at_its_time(flights, tmp_path):
    files = all_subtitles(flights, ())
    path = tmp_path / "f.vtt"
    path.write_text(files["day1_baseline_cockpit_sound.vtt"], encoding="utf-8")
    calls = flights[0].calls

    read = cues(path)

    assert [text for _, text in read] == [view.description for view in calls]
    assert [start for start, _ in read] == pytest.approx([view.call.flight_s for view in calls], abs=1e-3)


def test_times_are_those_of_the_camera_and_what_it_did_not_record_is_left_out(flights):
    clock_map = ClockMap(source="left", offset_s=100.0, drift_ppm=50.0, valid_to_s=60.0)
    camera = CameraFile(flight="day2_cuffs", camera="wing left", file="a b.mp4", duration_s=60.0, clock_map=clock_map)

    text = all_subtitles(flights, (camera,))["day2_cuffs_wing_left_a_b.vtt"]

    inside = [v for v in flights[1].calls if 100.0 <= v.call.flight_s < 160.0]
    starts = [60 * int(m) + float(s) for m, s in re.findall(r"00:(\d\d):([\d.]+) -->", text)]
    assert starts == pytest.approx([(v.call.flight_s - 100.0) / 1.00005 for v in inside], abs=1e-3)


def test_unreviewed_calls_are_marked(flights):
    text = all_subtitles(flights, ())["day2_cuffs_cockpit_sound.vtt"]

    assert text.partition("c2-1")[2].count(" (?)\n") == 11


def test_no_cue_ends_before_it_begins_or_overlaps_the_next(flights):
    for text in all_subtitles(flights, ()).values():
        spans = [tuple(60 * int(x[3:5]) + float(x[6:]) for x in s) for s in re.findall(r"(00:\S+) --> (00:\S+)", text)]

        assert all(start < end for start, end in spans)


def test_markup_in_a_call_is_escaped(flights):
    view = flights[0].calls[0]
    view.description = "<b>61</b> & -->"

    text = all_subtitles(flights, ())["day1_baseline_cockpit_sound.vtt"]

    assert "&lt;b&gt;61&lt;/b&gt; &amp; --&gt;" in text


@pytest.mark.parametrize(
    ("name", "safe"), [("wing left", "wing_left"), ("../../x", "x"), ("Ω/ä:1", "Ω_ä_1"), ("...", "unnamed")]
)
def test_names_become_file_names(name, safe):
    assert file_name(name) == safe


def test_two_cameras_of_one_name_do_not_overwrite_each_other(flights):
    clock_map = ClockMap(source="x", offset_s=0.0)
    cameras = [CameraFile(flight="day1_baseline", camera="a/b", file="x.mp4", clock_map=clock_map) for _ in range(2)]

    assert len(all_subtitles(flights, cameras)) == 4
