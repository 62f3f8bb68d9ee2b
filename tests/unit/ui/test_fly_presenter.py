"""What the flight screen says, from snapshots; and its rectangles."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger_app.fly.capture.audio_writer import SoundState
from logger_app.fly.flight_records import Intent, Phase, Touch
from logger_app.fly.flight_state import advance, begin
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.ui.presenters.fly import FlyContext, Panel, clock_words, panel_shown, panel_view, strip_view, view
from logger_app.ui.presenters.fly_layout import TARGETS, layout
from logger_app.ui.theme import Display
from logger_app.units import s_to_ns
from logger_app.workflows.flight_session import Snapshot
from logger_app.workflows.known import Known

POINTS = (
    TestPoint(id="A1", card="A", runs_wanted=2),
    TestPoint(id="B1", card="B", power="60 %", power_pct=60, flap_deg=30, bank_deg=-30, runs_wanted=1),
)


def call(k, at_s, what, flags=()):
    speed = isinstance(what, (int, float))
    kind = CallKind.AIRSPEED if speed else CallKind.EVENT
    return HeardCall(
        id=f"c{k}",
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=kind,
        name="ias" if speed else what,
        value=what if speed else None,
        unit="kt" if speed else None,
        flags=flags,
    )


def flown(*said, points=POINTS, **extra):
    """A snapshot after things were said: (at_s, what) or an Intent."""
    state, strip, at_ns = begin(points), [], 0
    for k, item in enumerate(said):
        if isinstance(item, tuple):
            event = call(k, *item)
            strip.append(event)
            at_ns = event.end_ns
        else:
            event = Touch(id=f"t{k}", flight_ns=at_ns, intent=item)
        state, _ = advance(state, event)
    fields = {
        "sound": SoundState(end_sample=0, level_dbfs=-25.0, peak=9000, recording=True),
        "last_call": strip[-1] if strip else None,
    } | extra
    return Snapshot(state=state, flight="f", flight_ns=at_ns, strip=tuple(strip), **fields)


GOOD_RUN = ((10, "on_condition"), *((12 + 1.5 * k, 56 - 1.5 * k) for k in range(6)), (21, "break"), (24, "recovered"))


def test_the_set_up_is_in_the_fewest_words():
    assert [words for words, _ in view(flown()).setup] == ["IDLE", "FLAP UP", "LEVEL"]
    assert [words for words, _ in view(flown(Intent.NEXT)).setup] == ["60 %", "FLAP 30", "BANK 30 L"]


def test_what_was_said_otherwise_than_the_card_is_marked():
    snapshot = flown()
    flap = HeardCall(id="f", start_ns=0, end_ns=1, kind=CallKind.SETTING, name="flap", value=40, unit="deg")
    state, _ = advance(snapshot.state, flap)
    shown = view(Snapshot(state=state, flight="f", flight_ns=0, sound=snapshot.sound))

    assert [otherwise for _, otherwise in shown.setup] == [False, True, False]
    assert shown.banner == "You called a different flap from the card"


def test_the_last_call_is_labelled_with_its_age_and_doubt():
    shown = view(flown((1, 52)))
    assert (shown.last, shown.last_note, shown.last_alpha) == ("52 kt", "last call, 0 s ago", 1.0)
    assert view(flown((1, 52, (Flag.UNSURE,)))).last_note == "last call, 0 s ago, unsure"
    assert view(flown((1, "wing_drop_left"))).last == "left wing drop"


def test_the_last_call_fades_and_expires():
    def later(seconds):
        snapshot = flown((1, 52))
        return view(replace(snapshot, flight_ns=snapshot.flight_ns + s_to_ns(seconds)))

    assert later(3).last_alpha > later(8).last_alpha > later(15).last_alpha
    assert (later(21).last, later(21).last_note) == ("", "no call for 21 s")


def test_in_a_run_number_and_trace_are_dim_or_blank():
    said = ((1, "on_condition"), (3, 60), (4, 59))
    dim, blank = view(flown(*said)), view(flown(*said), context=FlyContext(blank_in_run=True))

    assert dim.last_alpha < 0.5 and dim.trace_alpha < 0.5 and dim.last == "59 kt"
    assert (blank.last, blank.last_note, blank.partial, blank.strip.dots) == ("", "", "", ())
    assert blank.phase == "APPROACH"


def test_a_recording_that_has_ended_shows_no_speed_and_no_microphone():
    shown = view(flown((1, 52), ended=True))

    assert (shown.last, shown.recording_ok, shown.level_words) == ("", False, "NO MIC")
    assert shown.banner == "The recording has ended; nothing is heard any more"


def test_floor_and_entry_are_on_set_up():
    context = FlyContext(floor_ft=5000, entry_min_ft=6000)

    assert view(flown(), context=context).heights.replace("\u00a0", " ") == "Floor 5000 ft\nMin. entry 6000 ft"
    assert view(flown()).heights.replace("\u00a0", " ") == "Floor not set\nMin. entry not set"
    assert view(flown((1, "on_condition")), context=context).heights == ""


def test_cards_are_counted_as_cards():
    points = (*POINTS[:1], TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=1), *POINTS[1:])

    assert view(flown(points=points)).place == "A1 run 1/2, card 1/2"
    assert view(flown(Intent.NEXT, points=points)).place == "A2 run 1/1, card 1/2"
    assert view(flown(Intent.NEXT, Intent.NEXT, points=points)).place == "B1 run 1/1, card 2/2"


def test_another_point_does_not_stand_under_the_old_trace():
    assert view(flown(*GOOD_RUN)).strip.dots
    assert view(flown(*GOOD_RUN, Intent.NEXT)).strip.dots == ()


def test_after_a_scratch_the_strip_does_not_join_runs():
    second = ((40, "on_condition"), (42, 63), (44, 61), (46, 60))
    assert len(view(flown(*GOOD_RUN, *second)).strip.dots) == 3
    assert view(flown(*GOOD_RUN, *second, Intent.DISCARD)).strip.dots == ()


@pytest.mark.parametrize(
    "extra, banner, role",
    [
        ({"unsaved": 3}, "DISK FULL: 3 rows wait to be saved", "trouble"),
        ({"microphone_trouble": "microphone lost"}, "Microphone lost; use the buttons", "trouble"),
        ({"hearing": "x"}, "Not hearing: sound is recorded; use the buttons", "trouble"),
        (
            {"sound": SoundState(end_sample=0, level_dbfs=-25, peak=1, recording=True, minutes_left=8.2)},
            "Disk: room for 8 more minutes of sound",
            "trouble",
        ),
        (
            {"sound": SoundState(end_sample=0, level_dbfs=-25, peak=1, recording=False, trouble="x")},
            "Disk full: calls are kept, sound is not",
            "trouble",
        ),
        ({}, "", "text"),
    ],
)
def test_the_banner_says_the_worst(extra, banner, role):
    shown = view(flown(**extra))

    assert (shown.banner, shown.banner_role) == (banner, role)
    assert (shown.sign == "warn") == (role == "trouble")


def test_the_verdict_has_a_sign_and_words_not_only_a_colour():
    good = view(flown(*GOOD_RUN))
    bad = view(flown((10, "on_condition"), (12, 60), (13, 56), (14, 52), (15, 48), (15.5, "break"), (17, "recovered")))

    assert (good.banner_role, good.sign) == ("good", "tick")
    assert good.banner.startswith("Counts: 1.0 kt/s, 47 kt at the break.")
    assert good.banner.endswith("1 more wanted")
    assert (bad.banner_role, bad.sign) == ("again", "again")
    assert bad.banner == "4.0 kt/s, wanted 0.5 to 1.5: fly it again?"


@pytest.mark.parametrize(
    "said, main",
    [
        ((), "on_condition"),
        (((1, "on_condition"),), "stall"),
        (((1, "on_condition"), (3, 60)), "stall"),
        (((1, "on_condition"), (3, 60), (5, "break")), "recovered"),
        (GOOD_RUN, "on_condition"),
        ((Intent.NEXT, *GOOD_RUN), "next"),  # the one run that B1 wanted
        ((Intent.HOLD,), "hold"),
        ((Intent.KNOCK_IT_OFF,), "hold"),
        ((Intent.LAND,), None),
    ],
)
def test_the_next_step_stands_out(said, main):
    large = [button.key for button in view(flown(*said)).buttons if button.role == "main"]
    assert large == ([main] if main else [])


def test_one_button_has_one_meaning_and_one_place():
    """SCRATCH and KEEP RUN, HOLD and RESUME, NOTE and END NOTE undo each other; all else never changes its words."""
    words = {}
    for said in ((), GOOD_RUN, (Intent.HOLD,), (Intent.KNOCK_IT_OFF,), (Intent.LAND,), ((1, "on_condition"), (3, 60))):
        shown = view(flown(*said))
        assert sorted(button.key for button in shown.buttons) == sorted(TARGETS)
        for button in shown.buttons:
            words.setdefault(button.key, set()).add((button.label.split("\n")[0], button.intent))
    assert {key for key, said in words.items() if len(said) > 1} <= {"discard", "hold"}
    assert all(button.intent is not Intent.LAND for button in view(flown()).buttons)


def test_the_phase_is_never_covered():
    trouble = {"microphone_trouble": "no microphone"}
    assert view(flown(Intent.HOLD, **trouble)).phase == "HOLD"
    assert view(flown(**trouble)).phase == "SET UP"


@pytest.mark.parametrize(
    "said, wanted, panel",
    [
        ((), Panel.MORE, Panel.MORE),
        (((1, "on_condition"),), Panel.MORE, Panel.NONE),
        ((Intent.KNOCK_IT_OFF,), Panel.END, Panel.NONE),
        ((Intent.LAND,), Panel.NONE, Panel.LANDED),
    ],
)
def test_a_panel_is_shown_only_out_of_a_run(said, wanted, panel):
    assert panel_shown(wanted, flown(*said).state, FlyContext(), True) is panel


def test_the_end_of_the_flight_is_asked_twice():
    state = flown().state
    more = panel_view(Panel.MORE, state, FlyContext())
    end = panel_view(Panel.END, state, FlyContext())

    assert next(b for b in more.buttons if b.key == "end").intent is None
    assert [b.intent for b in end.buttons if b.key == "land"] == [Intent.LAND]


def test_back_does_not_go_round_to_the_last_card():
    back = panel_view(Panel.MORE, flown().state, FlyContext()).buttons[0]
    assert (back.key, back.enabled) == ("back", False)
    back = panel_view(Panel.MORE, flown(Intent.NEXT).state, FlyContext()).buttons[0]
    assert (back.label, back.enabled) == ("BACK\nA1", True)


def test_the_band_is_where_the_speed_may_be():
    shown = strip_view(flown(*GOOD_RUN[:7]))
    first, last = shown.dots[0], shown.dots[-1]

    assert shown.band[0] == (first.x, first.y)
    assert last.x > first.x and last.y < first.y
    # 1.0 kt/s is between 0.5 and 1.5: the last dot is above the fast edge and below the slow one.
    slow, fast = shown.band[1], shown.band[-1]
    at = (last.x - first.x) / (slow[0] - first.x)
    assert last.y < first.y + at * (slow[1] - first.y)
    at = (last.x - first.x) / (fast[0] - first.x)
    assert last.y > first.y + at * (fast[1] - first.y)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.floats(0.1, 8), st.integers(20, 140)), max_size=30), st.booleans())
def test_nothing_on_the_strip_leaves_it(speeds, announced):
    said, at_s = [(0.0, "on_condition")] if announced else [], 0.0
    for wait_s, speed in speeds:
        at_s += wait_s
        said.append((at_s, speed))
    shown = strip_view(flown(*said))

    for x, y in [(d.x, d.y) for d in shown.dots] + list(shown.band) + [(e.x, 0.0) for e in shown.events]:
        assert -1e-9 <= x <= 1 + 1e-9 and -1e-9 <= y <= 1 + 1e-9


def test_a_campaign_without_cards_has_a_screen():
    shown = view(flown(points=()))

    assert shown.place == "no cards"
    assert not shown.button("next").enabled


def test_the_clock_is_read_at_a_glance():
    assert [clock_words(s_to_ns(s)) for s in (0, 65, 3725)] == ["0:00", "1:05", "1:02:05"]


@given(
    st.sampled_from(
        [
            (1280, 800, 149),
            (1920, 1200, 224),
            (1024, 600, 170),
            (2560, 1600, 284),
            (1366, 768, 135),
            (800, 1280, 149),
            (1200, 1920, 224),
            (800, 600, 96),
        ]
    )
)
@settings(deadline=None)
def test_rectangles_lie_in_the_window_and_apart(tablet):
    width, height, dpi = tablet
    rects = dict(layout(width, height, Display(dpi=dpi)).rects)

    for key, (x, y, w, h) in rects.items():
        assert w > 0 and h > 0 and x >= 0 and y >= 0 and x + w <= width + 1e-6 and y + h <= height + 1e-6, key
    for one, (x, y, w, h) in rects.items():
        for other, (u, v, s, t) in rects.items():
            if one < other:
                assert x + w <= u + 1e-6 or u + s <= x + 1e-6 or y + h <= v + 1e-6 or v + t <= y + 1e-6, (one, other)


def test_landed_is_said():
    assert view(flown(Intent.LAND)).banner == "Flight ended. All data saved"
    assert flown(Intent.LAND).state.phase is Phase.LANDED


def test_what_is_known_is_a_line_of_the_set_up_card_only():
    known = Known(by_point={"A1": ((1.1, 0.9, 0.7),) * 4})
    context = FlyContext(known=known)
    line = "A1: known to ±1.1 kt; one more run ±0.9, one more flight of each ±0.7"

    assert view(flown(), context=context).banner == line
    assert view(flown(), "noted", context).banner == "noted"
    assert view(flown(Intent.NEXT), context=context).banner == ""
    assert view(flown((1, "on_condition"), (2, 60)), context=context).banner == ""
    assert view(flown(*GOOD_RUN), context=context).banner != line
