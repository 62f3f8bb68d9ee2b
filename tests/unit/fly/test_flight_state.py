"""The cards' state machine: each arrow by voice and by touch, and what pilots forget to say."""

import pytest

from logger_app.fly.cues import Tone
from logger_app.fly.flight_state import Intent, Phase, Touch, advance, begin, silent_since_ns
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
                id=f"c{self.n}", start_ns=s_to_ns(at_s), end_ns=s_to_ns(at_s + 0.5), kind=kind, name=name,
                value=value, unit=unit,
            )
        )  # fmt: skip

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
        Phase.SET_UP, Phase.ON_CONDITION, Phase.APPROACH, Phase.APPROACH, Phase.APPROACH, Phase.APPROACH,
        Phase.STALL, Phase.VERDICT,
    ]  # fmt: skip
    assert names(flight) == ["on_condition", "approach", "stall", "recovered"]
    assert {step.by for step in flight.steps} == {"voice"}
    assert {step.run for step in flight.steps} == {"run-c1"}
    assert flight.closed[0].calls == tuple(f"c{k}" for k in range(1, 8))
    assert flight.closed[0].verdict.counts
    assert flight.cues[-1].tone is Tone.GOOD


def test_a_run_by_touch_goes_through_every_phase():
    flight = Flight()
    for at_s, intent in (
        (10, Intent.ON_CONDITION), (12, Intent.APPROACH), (20, Intent.STALL), (22, Intent.RECOVERED), (30, Intent.NEXT)
    ):  # fmt: skip
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
    assert flight.closed[0].verdict.why == ("no card fits what was set",)
