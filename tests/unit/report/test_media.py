"""Sound and pictures on the page: two seconds each, within the page's size, and what is missing is said."""

import base64
import re

import pytest

from logger_app.domain.moments import moments
from logger_app.report.media import add_sheets, clip_span, place_media, sheet_run, wanted_frames
from logger_app.report.media_io import add_media
from logger_app.report.page import media_words

OGG, JPEG = b"OggS" + bytes(4000), b"\xff\xd8" + bytes(6000)


@pytest.fixture
def page(example):
    return example.page()


def test_a_clip_holds_the_whole_call_and_lasts_two_seconds(page):
    for view in page.calls:
        start, end = clip_span(view)

        assert start <= view.call.flight_s and view.call.end_ns / 1e9 <= end
        assert end - start >= 2.0 - 1e-9


def test_every_call_of_every_run_gets_its_own_sound(page):
    asked = []

    def sound_of(flight, start_s, end_s):
        asked.append((flight, start_s, end_s))
        return OGG

    media = add_media(page, sound_of, None)

    assert media.sounds == len(asked) == 302
    assert [view.sound for view in page.calls][0] == "data:audio/ogg;base64," + base64.b64encode(OGG).decode()
    assert (page.calls[5].flight, *clip_span(page.calls[5])) in asked


def test_what_is_missing_is_left_out_and_counted(page):
    media = add_media(page, lambda flight, a, b: OGG if flight == "day1_baseline" else None, lambda flight, at: None)

    assert (media.sounds, media.no_sound) == (156, 146)
    assert media.frames == 0 and all(view.sheet == [] for view in page.points)
    assert "146 without" in media_words(media) and "no picture could be read" in media_words(media)


def test_the_page_stays_within_its_size_and_events_keep_their_pictures(page):
    budget = 60 * 8100
    add_sheets(page)
    media = place_media(page, None, dict.fromkeys(wanted_frames(page), JPEG), budget)
    kept = [view for view in page.calls if view.frame]

    assert media.spent <= budget
    assert media.over_budget > 100 and "left out to keep the page small" in media_words(media)
    assert {view.call.kind for view in kept} == {"event"}


def test_a_fault_in_either_thread_reaches_the_caller(page):
    def broken(*key):
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        add_media(page, lambda *key: OGG, broken)


def test_progress_rises_to_the_end(page):
    shares = []

    add_media(page, lambda *key: OGG, lambda *key: JPEG, shares.append)

    assert shares == sorted(shares) and shares[-1] == 1.0


def test_the_contact_sheet_goes_from_fast_to_the_stall_for_each_configuration(page):
    asked = []

    def frame_of(flight, at_s):
        asked.append((flight, round(at_s, 3)))
        return JPEG

    add_media(page, None, frame_of)
    rows = page.points[0].sheet

    assert [row.side.configuration.id for row in rows] == ["baseline", "cuffs"]
    for row in rows:
        shots = [shot for shot in row.shots if shot.uri]
        # Words come half a second after what they tell of, as the campaign says.
        assert shots[-1].flight_s == pytest.approx(shots[-1].run.event_s - page.campaign.indicator.reading_lag_s)
        assert [s.flight_s for s in shots] == sorted(s.flight_s for s in shots)
        assert [s.ias_kt for s in shots] == sorted((s.ias_kt for s in shots), reverse=True)
        assert (shots[0].run.flight, round(shots[0].flight_s, 3)) in asked


def test_the_run_that_stands_for_a_configuration_is_reviewed_and_nearest_to_1_kt_per_s(page):
    chosen = sheet_run(page.points[1].sides[1])

    assert chosen.run.number != 5 and chosen.result.reviewed  # run 5 is at 1.0 kt/s but nobody looked at it
    assert sheet_run(page.points[0].sides[0]).result.entry_rate_kt_per_s == 1.0


def test_sound_and_picture_stand_beside_their_call(example, tmp_path):
    page = example.write(tmp_path / "r", sound_of=lambda *a: OGG, frame_of=lambda *a: JPEG)
    html = page.read_text("utf-8")
    row = re.search(r'<tr id="c1-3".*?</tr>', html, re.DOTALL).group()

    assert 'src="data:audio/ogg;base64,' in row and 'src="data:image/jpeg;base64,' in row
    assert html.count("<audio") == 302
    assert all(re.search(r'alt="[^"]+"', img) for img in re.findall(r"<img[^>]*>", html))


def test_the_speeds_of_the_contact_sheet_can_be_chosen(page):
    add_sheets(page, moments("55kt, 60 mph, 1.1, stall", "kt"))
    shots = page.points[0].sheet[0].shots

    assert [shot.caption for shot in shots] == ["55 kt", "60 mph", "1.1 Vs", "at the stall"]
    assert [round(shot.ias_kt, 2) for shot in shots[:2]] == [55.0, 52.14]  # 60 mph = 52.1386 kt


def test_sparing_asks_for_events_and_sheets_only(page):
    add_sheets(page)
    every, few = wanted_frames(page), wanted_frames(page, sparing=True)
    events = {(c.flight, c.call.flight_s) for c in page.calls if c.call.kind == "event"}

    assert events <= set(few) < set(every)
    assert len(few) <= len(events) + 4 * 2 * 4
