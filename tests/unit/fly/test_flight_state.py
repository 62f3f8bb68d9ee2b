"""The cards' state machine: each arrow by voice and by touch, and what pilots forget to say."""

import pytest

from logger_app.fly.cues import Tone
from logger_app.fly.flight_records import Intent, Phase, Touch
from logger_app.fly.flight_state import advance, begin, silent_since_ns
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd, StallEvent
from logger_app.units import s_to_ns

POINTS = (
    TestPoint(id="A1", card="A", runs_wanted=2),
    TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=1),
    TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100, runs_wanted=1),
)
NAMES = {"on_condition", "recovered", "buffet", "break", "wing_drop_right", "aft_stop"}


class Flight:
    """A flight told in short: `say(at_s, what)` and `touch(at_s, intent)`; keeps all that came out."""

    def __init__(self, points=POINTS):
        self.state = begin(points)
        self.steps, self.closed, self.cues, self.notes, self.marks = [], [], [], [], []
        self.n = 0

    def say(self, at_s, what, value=None, unit=None):
        self.n += 1
        if isinstance(what, (int, float)):
            kind, name, value, unit = CallKind.AIRSPEED, "ias", what, "kt"
        elif what in ("flap", "power", "bank", "altitude"):
            kind, name = CallKind.SETTING, what
        else:
            kind, name = CallKind.EVENT if what in NAMES else CallKind.COMMAND, what
        return self._take(
            HeardCall(
                id=f"c{self.n}",
                start_ns=s_to_ns(at_s),
                end_ns=s_to_ns(at_s + 0.5),
                kind=kind,
                name=name,
                value=value,
                unit=unit,
            )
        )

    def touch(self, at_s, intent, point=None, by="touch"):
        self.n += 1
        return self._take(Touch(id=f"t{self.n}", flight_ns=s_to_ns(at_s), intent=intent, point=point, by=by))

    def approach(self, at_s=10.0, rate=1.0, from_kt=60, to_kt=48):
        """On condition, calls every 1.5 s, a break, recovered; ends a few seconds later."""
        self.say(at_s, "on_condition")
        t = at_s + 2
        while from_kt - rate * (t - at_s - 2) > to_kt:
            self.say(t, round(from_kt - rate * (t - at_s - 2)))
            t += 1.5
        self.say(t, "break")
        self.say(t + 3, "recovered")
        return t + 4

    def _take(self, event):
        self.state, out = advance(self.state, event)
        self.steps += out.steps
        self.closed += out.closed
        self.cues += out.cues
        self.notes += out.notes
        self.marks += out.marks
        return out


def names(flight):
    return [step.step for step in flight.steps]


def test_a_run_by_voice_goes_through_every_phase():
    flight = Flight()
    phases = [flight.state.phase]
    for at_s, what in ((10, "on_condition"), (12, 60), (14, 58), (16, 56), (18, 54), (19, "break"), (22, "recovered")):
        flight.say(at_s, what)
        phases.append(flight.state.phase)

    assert phases == [
        Phase.SET_UP,
        Phase.ON_CONDITION,
        Phase.APPROACH,
        Phase.APPROACH,
        Phase.APPROACH,
        Phase.APPROACH,
        Phase.STALL,
        Phase.VERDICT,
    ]
    assert names(flight) == ["on_condition", "approach", "stall", "recovered"]
    assert {step.by for step in flight.steps} == {"voice"}
    assert {step.run for step in flight.steps} == {"run-c1"}
    assert flight.closed[0].calls == tuple(f"c{k}" for k in range(1, 8))
    assert flight.closed[0].verdict.counts
    assert flight.cues[-1].tone is Tone.GOOD


def test_a_run_by_touch_goes_through_every_phase():
    flight = Flight()
    for at_s, intent in (
        (10, Intent.ON_CONDITION),
        (12, Intent.APPROACH),
        (20, Intent.STALL),
        (22, Intent.RECOVERED),
        (30, Intent.NEXT),
    ):
        flight.touch(at_s, intent)

    assert names(flight) == ["on_condition", "approach", "stall", "recovered", "next"]
    assert [step.id for step in flight.steps] == ["t1", "t2", "t3", "t4", "t5"]
    assert flight.closed[0].id == "run-t1"
    assert flight.closed[0].verdict.why == ("0 usable calls, needs 3",)
    assert flight.state.phase is Phase.SET_UP


def test_on_condition_said_and_touched_is_one_run():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.touch(10.4, Intent.ON_CONDITION)

    assert flight.closed == []
    assert flight.state.run.id == "run-c1"


def test_three_falling_speeds_begin_a_run_that_nobody_announced():
    flight = Flight()
    for at_s, kt in ((10, 62), (12, 60), (14, 58)):
        flight.say(at_s, kt)

    assert flight.state.phase is Phase.APPROACH
    assert flight.state.run.id == "run-c1"
    assert [call.id for call in flight.state.run.calls] == ["c1", "c2", "c3"]


def test_trimming_at_one_speed_begins_nothing():
    flight = Flight()
    for at_s in (10, 14, 18, 22):
        flight.say(at_s, 65)

    assert flight.state.run is None
    assert flight.state.phase is Phase.SET_UP


def test_forgotten_recovered_is_ended_by_silence():
    flight = Flight()
    flight.say(10, "on_condition")
    for k in range(5):
        flight.say(12 + 2 * k, 58 - 2 * k)
    flight.say(21, "break")

    assert silent_since_ns(flight.state, s_to_ns(30)) is None
    assert silent_since_ns(flight.state, s_to_ns(34)) == s_to_ns(21.5)

    flight.touch(34, Intent.SILENCE, by="app")

    assert flight.closed[0].ended is RunEnd.GAP
    assert flight.closed[0].verdict.counts
    assert flight.state.phase is Phase.VERDICT
    assert flight.steps[-1].by == "app"


def test_forgotten_recovered_is_ended_by_the_next_on_condition():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(12, 60)
    flight.say(18, "on_condition")

    assert flight.closed[0].ended is RunEnd.NEXT_RUN
    assert flight.closed[0].calls == ("c1", "c2")
    assert flight.state.run.id == "run-c3"


def test_scratch_that_in_a_run_discards_it():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(12, 60)
    flight.say(13, "scratch_that")

    assert names(flight) == ["on_condition", "approach", "discard"]
    assert flight.closed[0].discarded
    assert flight.closed[0].ended is RunEnd.DISCARDED
    assert flight.closed[0].calls == ("c1", "c2", "c3")
    assert flight.state.phase is Phase.SET_UP


def test_scratch_that_reaches_the_run_before_only_for_a_while():
    flight = Flight()
    end = flight.approach()
    flight.say(end + 40, "scratch_that")
    assert not flight.state.runs[-1].discarded

    end = flight.approach(at_s=end + 60)
    assert flight.state.counted("A1") == 2
    flight.say(end + 5, "scratch_that")

    assert flight.state.runs[-1].discarded
    assert flight.state.counted("A1") == 1


def test_a_discard_by_touch_can_be_taken_back():
    flight = Flight()
    end = flight.approach()
    flight.touch(end + 60, Intent.DISCARD)
    assert flight.state.counted("A1") == 0

    out = flight.touch(end + 65, Intent.REINSTATE)

    assert out.reinstated == ("run-c1",)
    assert flight.state.counted("A1") == 1


@pytest.mark.parametrize("by_touch", [False, True])
def test_knock_it_off_stops_everything_until_resume(by_touch):
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(12, 60)
    if by_touch:
        flight.touch(13, Intent.KNOCK_IT_OFF)
    else:
        flight.say(13, "knock_it_off")

    assert flight.closed[0].ended is RunEnd.KNOCKED_OFF
    assert flight.closed[0].discarded
    assert flight.state.phase is Phase.KNOCKED_OFF
    assert flight.cues[-1].tone is Tone.STOP

    for at_s, kt in ((20, 80), (22, 78), (24, 75)):
        flight.say(at_s, kt)
    assert flight.state.run is None

    flight.touch(30, Intent.RESUME)
    assert flight.state.phase is Phase.SET_UP


def test_hold_and_resume_go_back_to_where_it_was():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(12, 60)
    flight.say(13, "hold")
    assert flight.state.phase is Phase.HOLD
    flight.say(14, 60)
    flight.say(15, "resume")

    assert flight.state.phase is Phase.APPROACH
    assert [call.id for call in flight.state.run.calls] == ["c1", "c2", "c3", "c4", "c5"]


def test_resume_after_the_held_run_fell_silent_is_set_up():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(12, 60)
    flight.touch(13, Intent.HOLD)
    flight.touch(40, Intent.SILENCE, by="app")
    flight.touch(50, Intent.RESUME)

    assert flight.state.run is None
    assert flight.state.phase is Phase.SET_UP


def test_next_goes_to_the_next_point_that_still_wants_runs():
    flight = Flight()
    flight.touch(1, Intent.CARD, point="A2")
    end = flight.approach()
    assert flight.closed[0].point == "A2"
    flight.touch(end, Intent.CARD, point="A1")
    flight.say(end + 1, "next_card")

    assert flight.state.point == "B1"  # A2 has the one run that it wants


def test_card_by_voice_finds_a_card_or_a_point():
    flight = Flight()
    flight.say(1, "card", value="B")
    assert flight.state.point == "B1"
    flight.say(2, "card", value="a2")
    assert flight.state.point == "A2"
    flight.say(3, "card", value="Z9")
    assert flight.state.point == "A2"


def test_settings_bring_up_the_card_that_has_them():
    flight = Flight()
    flight.say(5, "power", "idle")
    flight.say(7, "flap", 0)
    assert flight.steps == []
    flight.say(50, "flap", 15)
    assert flight.state.point == "A2"
    flight.say(90, "flap", 0)
    flight.say(92, "power", 2100, "rpm")

    assert flight.state.point == "B1"
    assert flight.state.contradicted == ()


def test_a_setting_that_no_card_has_is_shown_as_a_contradiction():
    flight = Flight()
    flight.say(5, "flap", 40)

    assert flight.state.point == "A1"
    assert flight.state.contradicted == ("flap",)


def test_settings_in_an_approach_do_not_turn_the_card():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(12, 60)
    flight.say(13, "flap", 15)

    assert flight.state.point == "A1"
    assert "c3" in [call.id for call in flight.state.run.calls]


def test_a_note_keeps_its_words_out_of_the_cards():
    flight = Flight()
    flight.say(10, "note")
    flight.say(12, "buffet")
    flight.say(13, 52)
    assert flight.state.run is None
    flight.say(15, "end_note")

    assert flight.notes == [(s_to_ns(10.5), s_to_ns(15))]
    assert set(flight.state.loose) == {"c1", "c2", "c3", "c4"}


def test_on_condition_ends_a_note_and_begins_the_run():
    flight = Flight()
    flight.say(10, "note")
    flight.say(14, "on_condition")

    assert flight.notes == [(s_to_ns(10.5), s_to_ns(14))]
    assert flight.state.phase is Phase.ON_CONDITION


def test_a_mark_is_made_anywhere():
    flight = Flight()
    flight.say(3, "mark")
    flight.say(10, "on_condition")
    out = flight.touch(11, Intent.MARK)

    assert flight.marks == [s_to_ns(3), s_to_ns(11)]
    assert out.cues[0].tone is Tone.MARK
    assert out.cues[0].flash == "white"
    assert flight.state.phase is Phase.ON_CONDITION


def test_a_restart_ends_the_run_in_flight_and_keeps_the_card():
    flight = Flight()
    flight.touch(1, Intent.CARD, point="A2")
    flight.say(10, "on_condition")
    flight.say(12, 60)
    flight.touch(13, Intent.RESTARTED, by="app")

    assert flight.closed[0].ended is RunEnd.GAP
    assert flight.state.point == "A2"
    assert flight.state.run is None


def test_touched_stall_serves_where_nobody_named_it():
    flight = Flight()
    flight.say(10, "on_condition")
    for k in range(6):
        flight.say(12 + 1.5 * k, 58 - 1.5 * k)
    flight.touch(21, Intent.STALL)
    flight.touch(24, Intent.RECOVERED)

    verdict = flight.closed[0].verdict
    assert verdict.event is StallEvent.PITCH_DOWN
    assert verdict.counts
    assert verdict.vs_ias_kt == pytest.approx(49.0, abs=0.1)


def test_a_campaign_without_points_still_flies():
    flight = Flight(points=())
    end = flight.approach()
    flight.touch(end, Intent.NEXT)

    assert flight.closed[0].point is None
    assert flight.closed[0].verdict.why == ("no card matches the settings",)


def cue_texts(out):
    return [cue.text for cue in out.cues]


def announced(flight, speeds=(60, 58, 56)):
    """On condition at 10 s, a call every 2 s from 12 s; returns the end of the last [s]."""
    flight.say(10, "on_condition")
    for k, kt in enumerate(speeds):
        flight.say(12 + 2 * k, kt)
    return 12 + 2 * (len(speeds) - 1) + 0.5


def test_an_approach_may_be_silent_for_12_s_and_no_longer():
    flight = Flight()
    last = announced(flight)

    assert silent_since_ns(flight.state, s_to_ns(last + 12)) is None
    assert silent_since_ns(flight.state, s_to_ns(last + 12) + 1) == s_to_ns(last)


def test_the_first_call_may_take_40_s_and_no_longer():
    flight = Flight()
    flight.touch(10, Intent.ON_CONDITION)

    assert silent_since_ns(flight.state, s_to_ns(50)) is None
    assert silent_since_ns(flight.state, s_to_ns(50) + 1) == s_to_ns(10)
    assert silent_since_ns(Flight().state, s_to_ns(1000)) is None


def test_a_call_after_a_long_silence_is_not_of_the_run_that_fell_silent():
    flight = Flight()
    last = announced(flight)
    out = flight.say(last + 13, 70)

    assert [run.calls for run in out.closed] == [("c1", "c2", "c3", "c4")]
    assert out.closed[0].end_ns == s_to_ns(last)
    assert [(step.step, step.flight_ns, step.by, step.run) for step in out.steps] == [
        ("silence", s_to_ns(last), "app", "run-c1")
    ]
    assert [call.id for call in flight.state.forming] == ["c5"]


def test_a_touch_shows_that_the_run_is_still_flown():
    flight = Flight()
    last = announced(flight)
    flight.touch(last + 20, Intent.STALL)

    assert flight.closed == []
    assert silent_since_ns(flight.state, s_to_ns(last + 32)) is None
    assert silent_since_ns(flight.state, s_to_ns(last + 32) + 1) == s_to_ns(last + 20)


def test_a_touched_approach_moves_the_silence_too():
    flight = Flight()
    flight.touch(10, Intent.ON_CONDITION)
    flight.touch(30, Intent.APPROACH)
    flight.touch(31, Intent.APPROACH)  # the second touch finds it flown already

    assert names(flight) == ["on_condition", "approach"]
    assert flight.state.run.last_ns == s_to_ns(30)


def test_silence_found_too_early_ends_nothing():
    flight = Flight()
    last = announced(flight)
    out = flight.touch(last + 12, Intent.SILENCE, by="app")

    assert (out.steps, out.closed, flight.state.phase) == ((), (), Phase.APPROACH)


def test_a_setting_said_does_not_lengthen_an_approach():
    flight = Flight()
    last = announced(flight)
    flight.say(last + 5, "altitude", 6000)

    assert silent_since_ns(flight.state, s_to_ns(last + 12) + 1) == s_to_ns(last)
    assert flight.state.run.calls[-1].id == "c5"


@pytest.mark.parametrize("late_s, discarded", [(30.0, True), (30.1, False)])
def test_scratch_that_reaches_back_30_s(late_s, discarded):
    flight = Flight()
    announced(flight)
    flight.say(17, "break")
    flight.say(20, "recovered")  # ends at 20.5
    out = flight.say(20.5 + late_s, "scratch_that")

    assert flight.state.last_run.discarded is discarded
    assert flight.state.phase is (Phase.SET_UP if discarded else Phase.VERDICT)
    assert cue_texts(out) == (["Run 1 scratched"] if discarded else [])


def test_scratch_that_twice_scratches_once():
    flight = Flight()
    end = flight.approach()
    flight.touch(end, Intent.DISCARD)
    out = flight.touch(end + 1, Intent.DISCARD)

    assert (out.steps, out.cues) == ((), ())
    assert Flight().touch(1, Intent.DISCARD).steps == ()


def test_scratching_keeps_the_card_that_is_up():
    flight = Flight()
    end = flight.approach()
    flight.touch(end, Intent.HOLD)
    flight.touch(end + 1, Intent.DISCARD)

    assert flight.state.phase is Phase.HOLD


def test_reinstating_needs_a_discarded_run_and_none_in_flight():
    flight = Flight()
    assert flight.touch(1, Intent.REINSTATE).steps == ()
    end = flight.approach()
    assert flight.touch(end, Intent.REINSTATE).reinstated == ()
    flight.touch(end + 1, Intent.DISCARD)
    flight.touch(end + 2, Intent.ON_CONDITION)
    assert flight.touch(end + 3, Intent.REINSTATE).reinstated == ()
    flight.touch(end + 4, Intent.DISCARD)  # the open run: it is the last one now

    out = flight.touch(end + 5, Intent.REINSTATE)

    assert cue_texts(out) == ["Run 2 is back"]
    assert [(step.step, step.run) for step in out.steps] == [("reinstate", flight.state.last_run.id)]


def test_knock_it_off_is_said_and_shown_and_nothing_else():
    flight = Flight()
    announced(flight)
    out = flight.say(17, "knock_it_off")

    assert [(cue.tone, cue.flash, cue.text) for cue in out.cues] == [(Tone.STOP, "red", "KNOCK IT OFF")]
    assert [step.step for step in out.steps] == ["knock_it_off"]
    assert flight.state.runs[-1].end_ns == s_to_ns(17.5)


def test_knock_it_off_leaves_no_call_half_taken():
    flight = Flight()
    flight.say(10, 62)
    flight.say(12, "knock_it_off")

    assert flight.state.forming == ()
    assert flight.state.loose == ("c1", "c2")


def test_after_landing_nothing_is_knocked_off_held_or_landed_again():
    flight = Flight()
    flight.touch(10, Intent.LAND, by="app")
    for intent in (Intent.KNOCK_IT_OFF, Intent.HOLD, Intent.LAND, Intent.NEXT, Intent.AGAIN):
        out = flight.touch(20, intent)
        assert (out.steps, out.cues) == ((), ())
    assert flight.state.phase is Phase.LANDED
    flight.touch(30, Intent.RESUME)

    assert flight.state.phase is Phase.SET_UP


def test_landing_ends_the_run_in_flight():
    flight = Flight()
    last = announced(flight)
    out = flight.touch(last + 5, Intent.LAND, by="app")

    assert (out.closed[0].ended, out.closed[0].end_ns) == (RunEnd.FLIGHT_END, s_to_ns(last + 5))
    assert [step.step for step in out.steps] == ["landed"]


def test_landing_drops_calls_from_which_nothing_grew():
    flight = Flight()
    flight.say(10, 62)
    flight.touch(20, Intent.LAND, by="app")

    assert flight.state.loose == ("c1",)


def test_a_hold_cannot_be_held_and_a_resume_needs_something_held():
    flight = Flight()
    assert flight.touch(1, Intent.RESUME).steps == ()
    flight.touch(2, Intent.HOLD)
    assert flight.touch(3, Intent.HOLD).steps == ()
    flight.touch(4, Intent.RESUME)
    assert flight.state.phase is Phase.SET_UP


def test_held_in_set_up_it_goes_back_to_set_up():
    flight = Flight()
    end = flight.approach()
    flight.touch(end, Intent.HOLD)
    flight.touch(end + 1, Intent.RESUME)

    assert flight.state.phase is Phase.VERDICT


def test_calls_on_hold_begin_nothing():
    flight = Flight()
    flight.touch(5, Intent.HOLD)
    for k in range(4):
        flight.say(10 + 2 * k, 62 - 2 * k)

    assert flight.state.run is None
    assert flight.state.loose == ("c2", "c3", "c4", "c5")


@pytest.mark.parametrize(
    "speeds, begins",
    [
        ((62, 60, 58), True),
        ((62, 60, 60), True),
        ((60, 60, 58), True),
        ((60, 60, 60), False),
        ((60, 62, 58), False),
        ((62, 58, 60), False),
    ],
)
def test_three_calls_none_faster_and_the_last_slower_are_an_approach(speeds, begins):
    flight = Flight()
    for k, kt in enumerate(speeds):
        flight.say(10 + 2 * k, kt)

    assert (flight.state.run is not None) is begins


def test_an_unannounced_run_begins_with_the_first_call_that_led_to_it():
    flight = Flight()
    for k, what in enumerate((66, 62, 64, "buffet", 63, 61)):
        flight.say(10 + 2 * k, what)
    run = flight.state.run

    assert (run.id, run.start_ns, run.last_ns, run.announced) == ("run-c1", s_to_ns(10), s_to_ns(20.5), False)
    assert [call.id for call in run.calls] == ["c1", "c2", "c3", "c4", "c5", "c6"]
    assert flight.state.runs_begun == 1
    assert flight.state.forming == ()


@pytest.mark.parametrize("pause_s, begins", [(12.0, True), (12.1, False)])
def test_calls_further_apart_than_an_approach_allows_are_not_one(pause_s, begins):
    flight = Flight()
    flight.say(10, 62)
    flight.say(12, 60)
    flight.say(12.5 + pause_s, 58)

    assert (flight.state.run is not None) is begins
    assert flight.state.loose == (() if begins else ("c1", "c2"))


def test_a_fourth_call_of_an_open_run_is_just_kept():
    flight = Flight()
    last = announced(flight)
    out = flight.say(last + 1, 54)

    assert (out.steps, out.cues) == ((), ())


def test_a_second_stall_event_is_kept_and_moves_nothing():
    flight = Flight()
    last = announced(flight)
    flight.say(last + 1, "wing_drop_right")
    out = flight.say(last + 2, "break")

    assert out.steps == ()
    assert flight.state.run.calls[-1].id == "c6"
    assert flight.touch(last + 3, Intent.STALL).steps == ()


def test_a_stall_without_a_run_is_nothing():
    flight = Flight()

    assert (
        flight.say(5, "break").steps
        == flight.touch(6, Intent.STALL).steps
        == flight.touch(7, Intent.APPROACH).steps
        == ()
    )
    assert flight.say(8, "recovered").steps == ()


def test_tones_between_but_never_into_the_approach():
    flight = Flight()
    tones = [
        [cue.tone for cue in flight.say(*what).cues]
        for what in ((10, "on_condition"), (12, 60), (14, 58), (16, 56), (18, "break"))
    ]

    assert tones == [[Tone.STEP], [], [], [], [Tone.STEP]]


def test_the_verdict_is_heard_and_read():
    flight = Flight()
    flight.approach()
    good = flight.cues[-1]
    flight.say(100, "on_condition")
    bad = flight.say(103, "recovered").cues[-1]

    assert (good.tone, bad.tone) == (Tone.GOOD, Tone.AGAIN)
    assert good.text.startswith("Counts: 1.0 kt/s") and bad.text.endswith("fly it again?")


def test_runs_are_numbered_as_they_begin():
    flight = Flight()
    flight.approach()
    flight.approach(at_s=100)

    assert [run.number for run in flight.closed] == [1, 2]
    assert [run.verdict.runs_counted for run in flight.closed] == [1, 2]


def test_what_is_said_for_next_again_and_previous():
    flight = Flight()
    assert cue_texts(flight.say(1, "next_card")) == ["A2: idle, flap 15, wings level"]
    assert flight.state.point == "A2"
    flight.say(2, "previous_card")
    assert flight.state.point == "A1"
    flight.say(3, "previous_card")
    assert flight.state.point == "B1"
    flight.say(4, "next_card")
    assert flight.state.point == "A1"
    assert names(flight) == ["next", "previous", "previous", "next"]


def test_cards_do_not_turn_in_a_run():
    flight = Flight()
    flight.say(10, "on_condition")
    for what in ("next_card", "previous_card", "again"):
        flight.say(12, what)
    flight.say(13, "card", value="B1")

    assert flight.state.point == "A1"
    assert names(flight) == ["on_condition"]


def test_again_brings_back_the_point_that_was_flown():
    flight = Flight()
    end = flight.approach()
    flight.touch(end, Intent.NEXT)
    assert flight.state.point == "A2"
    flight.say(end + 1, "again")

    assert (flight.state.point, flight.state.phase) == ("A1", Phase.SET_UP)
    assert names(flight)[-1] == "again"


def test_again_before_any_run_is_this_card():
    flight = Flight()
    flight.touch(1, Intent.CARD, point="B1")
    flight.touch(2, Intent.AGAIN)

    assert flight.state.point == "B1"
    assert Flight(points=()).touch(1, Intent.AGAIN).steps == ()


def test_when_every_point_has_its_runs_next_is_the_next_in_order():
    flight = Flight(
        points=(TestPoint(id="A1", card="A", runs_wanted=1), TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=1))
    )
    end = flight.approach()
    flight.touch(end, Intent.NEXT)
    end = flight.approach(at_s=end + 10)
    assert flight.state.counted("A1") == flight.state.counted("A2") == 1
    flight.touch(end, Intent.NEXT)

    assert flight.state.point == "A1"


def test_next_begins_behind_the_card_that_is_up():
    flight = Flight()
    flight.touch(1, Intent.CARD, point="A2")

    assert flight.state.point_after.id == "B1"
    assert flight.state.point_before.id == "A1"


def test_a_card_said_with_a_space_or_not_at_all():
    flight = Flight()
    flight.say(1, "card", value="b 1")
    assert flight.state.point == "B1"
    assert flight.say(2, "card").steps == ()


def test_a_new_card_asks_for_its_own_settings_and_forgets_none():
    flight = Flight()
    flight.say(5, "flap", 0)
    flight.say(6, "altitude", 6000)
    flight.touch(8, Intent.CARD, point="A2")

    said = flight.state.memory.settings()
    assert (said.flap_deg, said.altitude_ft) == (0, 6000)
    assert flight.state.contradicted == ()
    flight.approach()
    assert flight.closed[0].point == "A2"


def test_power_said_once_still_holds_after_next_card():
    """Live, "flap 15 fits more than one point": what was said before a card move was forgotten."""
    flight = Flight()
    flight.say(1, "power", "idle")
    flight.say(2, "flap", 0)
    end_s = flight.approach()
    flight.say(end_s + 5, "next_card")
    flight.say(end_s + 8, "flap", 15)
    flight.approach(end_s + 12)

    assert [run.point for run in flight.closed] == ["A1", "A2"]


def test_a_run_counts_for_the_point_that_was_really_set():
    flight = Flight()
    flight.say(10, "on_condition")
    for k in range(7):
        flight.say(12 + 1.5 * k, 60 - 1.5 * k)
    flight.say(23, "flap", 15)
    flight.say(24, "break")
    flight.say(25, "flap", 0)
    flight.say(26, "recovered")

    assert (flight.state.point, flight.closed[0].point) == ("A1", "A2")


def test_a_run_that_no_card_has_counts_for_none():
    flight = Flight()
    flight.say(5, "flap", 40)
    flight.approach()

    assert flight.closed[0].point is None
    assert "no card matches the settings" in flight.closed[0].verdict.why


def test_a_setting_between_on_condition_and_the_first_call_still_turns_the_card():
    flight = Flight()
    flight.say(10, "on_condition")
    flight.say(11, "flap", 15)

    assert flight.state.point == "A2"
    assert flight.state.memory.settings().flap_deg == 15


@pytest.mark.parametrize("late_s, in_note", [(20.0, True), (20.1, False)])
def test_a_note_is_over_after_20_s(late_s, in_note):
    flight = Flight()
    flight.say(10, "note")
    flight.say(10.5 + late_s, "buffet")

    assert flight.notes == ([] if in_note else [(s_to_ns(10.5), s_to_ns(30.5))])
    assert (flight.state.note_ns is None) is not in_note


def test_a_note_may_end_by_touch_and_the_touch_is_its_row():
    flight = Flight()
    flight.touch(10, Intent.NOTE)
    out = flight.touch(15, Intent.NOTE)

    assert flight.notes == [(s_to_ns(10), s_to_ns(15))]
    assert [(step.step, step.id) for step in out.steps] == [("end_note", "t2")]
    assert flight.state.note_ns is None


def test_another_touch_ends_a_note_and_keeps_its_own_row():
    flight = Flight()
    flight.say(10, "note")
    out = flight.touch(15, Intent.ON_CONDITION)

    assert [(step.step, step.id) for step in out.steps] == [("end_note", None), ("on_condition", "t2")]


def test_a_note_and_a_restart():
    flight = Flight()
    flight.say(10, "note")
    out = flight.touch(15, Intent.RESTARTED, by="app")

    assert flight.notes == [(s_to_ns(10.5), s_to_ns(15))]
    assert [step.step for step in out.steps] == ["end_note", "restarted"]


def test_what_a_restart_comes_back_to():
    for intent, phase in (
        (Intent.HOLD, Phase.HOLD),
        (Intent.KNOCK_IT_OFF, Phase.KNOCKED_OFF),
        (Intent.LAND, Phase.SET_UP),
    ):
        flight = Flight()
        flight.touch(5, intent)
        flight.touch(9, Intent.RESTARTED, by="app")
        assert flight.state.phase is phase
    flight = Flight()
    flight.say(10, 62)
    flight.touch(12, Intent.RESTARTED, by="app")
    assert (flight.state.forming, flight.state.loose) == ((), ("c1",))


def test_a_row_says_where_by_whom_and_after_which_call():
    flight = Flight()
    body = flight.say(10, "on_condition").steps[0].as_body()

    assert body == {"step": "on_condition", "card": "A", "point": "A1", "run": "run-c1", "by": "voice", "call": "c1"}


def test_on_condition_after_the_first_call_is_the_next_run():
    flight = Flight()
    for at_s, kt in ((10, 62), (12, 60), (14, 58)):
        flight.say(at_s, kt)
    out = flight.say(16, "on_condition")

    assert (out.closed[0].ended, out.closed[0].end_ns) == (RunEnd.NEXT_RUN, s_to_ns(16))
    assert flight.state.run.id == "run-c4"
    assert flight.state.runs_begun == 2


def test_a_stall_is_touched_once():
    flight = Flight()
    last = announced(flight)
    flight.touch(last + 1, Intent.STALL)

    assert flight.state.phase is Phase.STALL
    assert flight.touch(last + 2, Intent.STALL).steps == ()


def test_a_note_is_asked_for_and_a_run_scratched_in_words():
    flight = Flight()
    note = flight.say(5, "note")
    flight.say(6, "end_note")
    announced(flight)
    scratched = flight.say(18, "scratch_that")

    assert ([step.step for step in note.steps], cue_texts(note)) == (["note"], ["Note: speak"])
    assert [(cue.tone, cue.text) for cue in scratched.cues] == [(Tone.DISCARD, "Run 1 scratched")]


def test_a_command_that_moves_nothing_is_answered():
    """A word that the pack knows and this program has no use for gets a tone and a word, not silence."""
    state = begin(())
    said = HeardCall(id="x", start_ns=0, end_ns=1, kind=CallKind.COMMAND, name="abort_takeoff", words="abort")
    after, outcome = advance(state, said)

    assert [(cue.tone, cue.text) for cue in outcome.cues] == [(Tone.TROUBLE, "“abort” is not a command here")]
    assert after.phase is state.phase
