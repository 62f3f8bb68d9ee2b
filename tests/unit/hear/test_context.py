"""How much a call must be believed, by what was said around it."""

import numpy as np
import pytest

from logger_app.hear.context import ALONE_FRAMES, EXPECT_FRAMES, Context, Need, in_talk
from logger_app.hear.decode import Found, Heard
from logger_app.hear.gate import Gate
from logger_app.hear.packs import LegalCall
from logger_app.hear.packs_io import load_pack
from logger_app.records.calls import CallKind

GATE = Gate(np.zeros(7), np.zeros(6), np.ones(6), 10.0)
SPEED = LegalCall(("fifty", "eight"), CallKind.AIRSPEED, "ias", 58.0, "kt")
DIGIT = LegalCall(("eight",), CallKind.AIRSPEED, "ias", 8.0, "kt", shorthand=True)
BEGIN = LegalCall(("on", "condition"), CallKind.EVENT, "on_condition", None, None)
END = LegalCall(("recovered",), CallKind.EVENT, "recovered", None, None)


def found(call, at=1000.0, belief=0.95, phones=7, glued=(0, 0)):
    return Found(call, belief, (), at, at + 30, (), phones, glued)


def need(context, one, talk_first=False, talk_last=False):
    return context.need(one, Heard((one,), talk_first, talk_last), one.start)


@pytest.fixture
def context():
    return Context(GATE)


def test_an_airspeed_out_of_nowhere_waits_for_what_follows(context):
    assert Need.WAIT is need(context, found(SPEED))


def test_after_another_it_is_taken_at_once_and_with_less(context):
    context.took(found(SPEED, at=900.0))

    assert Need.TAKE is need(context, found(SPEED, belief=0.2))
    assert Need.TAKE is need(context, found(DIGIT, belief=0.5, phones=2))
    assert Need.DROP is need(Context(GATE), found(SPEED, belief=0.2))
    assert Need.DROP is need(Context(GATE), found(DIGIT, belief=0.5, phones=2))


def test_a_run_that_begins_makes_airspeeds_expected_and_its_end_ends_that(context):
    context.took(found(BEGIN, at=900.0))
    during = need(context, found(SPEED))
    context.took(found(END, at=950.0))

    assert Need.TAKE is during
    assert Need.WAIT is need(context, found(SPEED))


def test_expectation_fades(context):
    context.took(found(SPEED, at=100.0))

    assert Need.WAIT is need(context, found(SPEED, at=131.0 + EXPECT_FRAMES))


def test_a_number_inside_talk_is_no_call(context):
    context.took(found(SPEED, at=900.0))

    assert Need.DROP is need(context, found(SPEED, glued=(12, 0)))
    assert Need.DROP is need(Context(GATE), found(SPEED, glued=(4, 0)))


def test_what_follows_a_number_says_that_it_is_no_airspeed(context):
    """ "sixty one percent": the word after it makes it a setting, even where airspeeds are expected."""
    context.took(found(SPEED, at=900.0))

    assert Need.DROP is need(context, found(SPEED, glued=(0, 6)))
    assert Need.TAKE is need(context, found(SPEED, glued=(4, 0)))


def test_far_from_the_last_airspeed_more_is_asked(context):
    context.took(found(SPEED, at=930.0))
    far = LegalCall(("one", "fifteen"), CallKind.AIRSPEED, "ias", 115.0, "kt")

    assert Need.DROP is need(context, found(far, belief=0.2))
    assert Need.TAKE is need(context, found(SPEED, belief=0.2))


def test_a_setting_is_hardly_expected_in_an_approach(context):
    """ "that's fifty" there is an airspeed; taken for "flaps fifty" it would move the runs to another point."""
    flaps = LegalCall(("flaps", "fifty"), CallKind.SETTING, "flap", 50.0, "deg")
    before = need(context, found(flaps, belief=0.6, phones=10))
    context.took(found(SPEED, at=930.0))

    assert Need.DROP is need(context, found(flaps, belief=0.6, phones=10))
    assert before is not Need.DROP


def test_a_short_command_is_not_taken_for_a_number_in_an_approach(context):
    """ "note" and "nine" are near in noise; a short event is expected there, a short command is not."""
    context.took(found(SPEED, at=930.0))
    note = LegalCall(("note",), CallKind.COMMAND, "note", None, None)
    buffet = LegalCall(("buffet",), CallKind.EVENT, "buffet", None, None)

    assert Need.DROP is need(context, found(note, belief=0.4, phones=3))
    assert Need.TAKE is need(context, found(buffet, belief=0.4, phones=5))


def test_knock_it_off_is_never_held_back(context):
    words = LegalCall(("knock", "it", "off"), CallKind.COMMAND, "knock_it_off", None, None)
    context.talked(Heard((), True, True), 990.0)

    assert Need.TAKE is need(context, found(words, phones=7))


def test_a_number_soon_after_talk_is_no_call_unless_expected(context):
    context.talked(Heard((), True, True), 1000.0 - ALONE_FRAMES + 1)
    after_talk = need(context, found(SPEED))
    context.took(found(BEGIN, at=960.0))

    assert Need.DROP is after_talk
    assert Need.TAKE is need(context, found(SPEED))


def test_a_long_phrase_is_believed_also_beside_talk(context):
    phrase = LegalCall(("stick", "on", "the", "stop"), CallKind.EVENT, "aft_stop", None, None)

    assert Need.TAKE is need(context, found(phrase, phones=13, glued=(9, 0)))
    assert Need.DROP is need(
        context, found(LegalCall(("mark",), CallKind.COMMAND, "mark", None, None), phones=4, glued=(9, 0))
    )


def test_what_was_said_before_leans_on_the_next_airspeed_but_never_far(context):
    context.last_speed, context.last_at, context.expected_until = 49.0, 100.0, 400.0
    lean = context.lean(150.0)

    def said(value):
        return lean(LegalCall(("x",), CallKind.AIRSPEED, "ias", value, "kt"))

    assert said(48.0) > said(45.0) > said(40.0)
    assert said(48.0) - said(90.0) <= 4.0
    assert context.lean(500.0) is None


def test_a_recording_may_begin_with_a_call_but_not_in_talk(context):
    unsure = found(SPEED, at=100.0, belief=0.6)

    assert need(context, unsure) is not Need.DROP
    context.talked(Heard((), True, False), 50.0)
    assert need(context, unsure) is Need.DROP


def test_a_lone_number_after_a_long_quiet_needs_less_belief_than_one_among_speech(context):
    """A lone "fifty" after ten seconds was believed 0.6 to 0.87 and dropped."""
    context.talked(Heard((), True, True), 900.0)
    lone = need(context, found(SPEED, at=1400.0, belief=0.6))
    context.talked(Heard((), True, True), 1390.0)
    soon = need(context, found(SPEED, at=1500.0, belief=0.6))

    assert (Need.WAIT, Need.DROP) == (lone, soon)


@pytest.mark.parametrize(
    "words, glued, expected",
    [
        (("power", "sixty", "five", "percent"), (0, 0), False),
        (("power", "sixty", "five", "percent"), (0, 12), False),  # named: talk on one side is no doubt
        (("power", "sixty", "five", "percent"), (5, 12), True),
        (("sixty", "five", "percent"), (0, 9), True),  # "sixty five percent humidity"
        (("sixty", "five", "percent"), (0, 4), False),  # one small word
    ],
)
def test_a_setting_heard_within_a_sentence(words, glued, expected):
    setting = LegalCall(words, CallKind.SETTING, "power", 65.0, "percent")

    assert in_talk(found(setting, glued=glued), load_pack("en")) is expected
    assert not in_talk(found(SPEED, glued=glued), load_pack("en"))


STOP = LegalCall(("stick", "on", "the", "stop"), CallKind.EVENT, "aft_stop", None, None)
SCRATCH = LegalCall(("scratch", "that", "run"), CallKind.COMMAND, "scratch_that", None, None)


def test_a_phrase_that_stands_alone_needs_little_belief_and_one_beside_talk_much():
    """Narrated, "stick on the stop" was believed 0.03 and dropped: the network takes narration for talk."""
    approach = Context(GATE)
    approach.took(found(SPEED, at=900.0))

    assert need(approach, found(STOP, belief=0.03, phones=13)) is Need.TAKE
    assert need(approach, found(STOP, belief=0.03, phones=13), talk_first=True) is Need.DROP
    assert need(approach, found(SCRATCH, belief=0.03, phones=11)) is Need.DROP
    assert need(Context(GATE), found(SCRATCH, belief=0.14, phones=11)) is not Need.DROP
    assert need(Context(GATE), found(SCRATCH, belief=0.14, phones=5)) is Need.DROP


def test_a_short_weak_call_in_one_breath_with_a_surer_phrase_is_a_part_of_it():
    """ "I've got full back stick" was 54 and the stop, "mushing along" mush and a nine."""
    context = Context(GATE)
    context.took(found(SPEED, at=900.0))
    weak, sure = found(SPEED, belief=0.04, phones=6), found(STOP, at=1040.0, belief=0.8, phones=10)

    assert context.need(weak, Heard((weak, sure), False, False), 1000.0) is Need.DROP
    assert context.need(weak, Heard((weak,), False, False), 1000.0) is Need.TAKE


DIGITS = {
    "zero": 0.0,
    "one": 1.0,
    "two": 2.0,
    "three": 3.0,
    "four": 4.0,
    "five": 5.0,
    "seven": 7.0,
    "eight": 8.0,
    "nine": 9.0,
}


def read_out(*said, at=1000.0):
    """Stretches of speech, each a text of calls parted by commas, a tenth of a second apart."""
    for text in said:
        calls = []
        for words in text.split(","):
            parts = words.split()
            value = sum(DIGITS[word] * 10**k for k, word in enumerate(reversed(parts)))
            spans = tuple((word, at + 15.0 * k, at + 15.0 * k + 13) for k, word in enumerate(parts))
            call = LegalCall(("x",), CallKind.AIRSPEED, "ias", value, "kt", shorthand=len(parts) == 1)
            calls.append(Found(call, 0.95, (), at, spans[-1][2], spans, 6))
            at = spans[-1][2] + 5
        yield Heard(tuple(calls), False, False), calls[0].start


@pytest.mark.parametrize(
    ("before", "said", "left_out"),
    [
        (None, ["four two,one seven"], [({0, 1}, False)]),  # a transponder code in one stretch
        (
            None,
            ["eight three", "seven four", "nine"],
            [(set(), False), ({0}, True), ({0}, True)],
        ),  # a telephone number in three
        (None, ["five eight", "five seven", "five five"], [(set(), False)] * 3),
        (53.0, ["two", "one", "zero"], [(set(), False)] * 3),
        (53.0, ["two,one", "zero", "nine eight"], [(set(), False)] * 3),
        (53.0, ["four two,one seven"], [({0, 1}, False)]),
    ],
)
def test_digits_read_out_are_left_out_unless_they_go_on(context, before, said, left_out):
    """65 calls a minute were taken from telephone numbers."""
    if before:
        context.said, context.expected_until = before, 1e6

    assert [context.codes(heard, begin, DIGITS)[:2] for heard, begin in read_out(*said)] == left_out


def test_what_was_taken_of_a_code_makes_no_call_expected(context):
    first, second = read_out("eight three", "two one five")
    context.codes(*first, DIGITS)
    context.took(first[0].calls[0])
    expected = context.expected_until
    context.codes(*second, DIGITS)

    assert expected > 1000 > context.expected_until
