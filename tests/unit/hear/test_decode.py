"""From a stretch of speech to the calls in it, and how much each is believed."""

from dataclasses import replace

import numpy as np
import pytest

from logger_app.hear.decode import PHONE_PRIOR, PHRASE_BELIEF, SHORT_BELIEF, UNLEANED, Decoder, Stretch
from logger_app.hear.gate import Gate
from logger_app.hear.net import BLANK, OUTPUTS
from logger_app.hear.phones import PHONE_ID
from logger_app.hear.rescore import SpanScores
from logger_app.hear.segment import OTHER, Piece, Segmenter

# Belief from the posterior and the talk output alone, so that a test can say what it rests on.
GATE = Gate(np.array([0.0, 3.0, 0.0, 0.0, 0.0, 0.0, -15.0]), np.array([2.0, 0, 0, 0, 0, 0]), np.ones(6), 0.0)


@pytest.fixture(scope="module")
def decoder(tree):
    return Decoder(tree, GATE)


def stretch(log_p, talk=0.0):
    return Stretch(log_p, np.full(len(log_p), 0.95), np.full(len(log_p), talk))


def heard(decoder, log_p, **kind):
    segmenter = Segmenter(decoder.tree)
    segmenter.feed(log_p)
    return decoder.calls(stretch(log_p, **kind), segmenter)


def test_what_sounds_like_talk_is_believed_less(decoder, spoken):
    call, talk = (heard(decoder, spoken("F IH F T IY EY T"), talk=value).calls[0] for value in (-3.0, 3.0))

    assert call.call.value == talk.call.value == 58.0
    assert call.belief > 0.9 > talk.belief


def test_a_small_word_that_fits_better_leaves_the_likeliest_call_little_belief(decoder, spoken):
    """A piece that holds one call is answered with the likeliest, however little it is believed."""
    log_p = spoken("OW K EY")  # "okay"

    found = decoder.whole(stretch(log_p))

    assert found is not None
    assert found.belief < 0.1


def test_a_phrase_outweighs_a_number_that_fits_as_well(decoder, spoken):
    """Noise drops phones, and a phrase has more to drop: each of its phones counts for it."""
    ranked = {"phrase": [], "number": []}
    for meaning, name in ((("event", "aft_stop", None, False), "phrase"), (("airspeed", "ias", 69.0, False), "number")):
        one = decoder.tree.meanings.index(meaning)
        ends = [k for k, m in enumerate(decoder.tree.end_meaning) if m == one]
        ranked[name] = [decoder._phone_prior(one, k) - PHONE_PRIOR * len(decoder.tree.spellings[k]) for k in ends]

    assert set(ranked["phrase"]) == {0.0}
    assert max(ranked["number"]) < 0


def test_the_leans_decide_whether_it_is_a_phrase_but_not_which(decoder):
    """They were found on numbers: of "wing dropping" they made "wing rock", whose phones lean the other way."""
    leaning = Decoder(decoder.tree, replace(GATE, leans={PHONE_ID["S"]: -2.0}))
    names = [
        ("event", "stick_shaker", None, False),
        ("event", "recovered", None, False),
        ("airspeed", "ias", 69.0, False),
    ]
    meanings = [decoder.tree.meanings.index(name) for name in names]
    spelled = [next(k for k, m in enumerate(decoder.tree.end_meaning) if m == one) for one in meanings]
    with_s = sum(phone == PHONE_ID["S"] for phone, _ in decoder.tree.spellings[spelled[0]])
    scored = SpanScores(tuple((m, score) for m, score in zip(meanings, (-10.0, -9.5, -9.0))), tuple(spelled), -5.0)
    before, after = ({m: score for m, score, _ in one._with_prior(scored, None)} for one in (decoder, leaning))
    shaker, other, number = meanings
    gained = (after[shaker] - after[other]) - (before[shaker] - before[other])

    assert with_s and gained == pytest.approx(UNLEANED * 2.0 * with_s)
    assert max(after[shaker], after[other]) == pytest.approx(max(before[shaker], before[other]))
    assert after[number] == before[number]


class Cut:
    """A segmenter that parts the stretch at a frame, into the first spellings of two things."""

    def __init__(self, tree, at, frames, *words):
        first = [next(k for k, unit in enumerate(tree.end_unit) if tree.units[unit].words == one) for one in words]
        self._pieces = [Piece(0, at, first[0]), Piece(at, frames, first[1])]

    def pieces(self):
        return self._pieces


def test_a_call_that_noise_cut_in_two_is_heard_whole(decoder, spoken):
    """The cut runs through "nine": what is left of it is hardly believed, so the whole is scored as well."""
    log_p = spoken("N AY N W AH N")
    cut = Cut(decoder.tree, 9, len(log_p), ("note",), ("one",))

    assert [found.call.value for found in decoder.calls(stretch(log_p), cut).calls] == [91.0]


def test_two_calls_that_are_both_believed_stay_two(decoder, spoken):
    log_p = spoken("F IH F T IY EY T F IH F T IY S EH V AH N")
    at = len(spoken("F IH F T IY EY T")) - 6

    found = decoder.calls(stretch(log_p), Cut(decoder.tree, at, len(log_p), ("fifty", "eight"), ("fifty", "seven")))

    assert [one.call.value for one in found.calls] == [58.0, 57.0]


def test_a_digit_that_is_the_beginning_of_a_phrase_is_joined_with_it(decoder, spoken):
    """ "Stick's full back" was a six, sure, and the stop."""
    log_p = spoken("S T IH K S F UH L B AE K")
    log_p[8:10] = np.log(np.full(OUTPUTS, 0.01))
    log_p[8:10, [BLANK, PHONE_ID["T"]]] = np.log([[0.35, 0.27]])  # the T is weak
    at = len(spoken("S T IH K S")) - 6

    found = decoder.calls(stretch(log_p), Cut(decoder.tree, at, len(log_p), ("six",), ("full", "back")))

    assert [one.call.name for one in found.calls] == ["aft_stop"]


def test_a_digit_and_an_event_that_were_both_said_stay_two(decoder, spoken):
    log_p = spoken("T UW B R EY K")
    at = len(spoken("T UW")) - 6

    found = decoder.calls(stretch(log_p), Cut(decoder.tree, at, len(log_p), ("two",), ("break",)))

    assert [one.call.name for one in found.calls] == ["ias", "break"]


def test_a_phrase_in_what_was_taken_for_talk_is_heard_with_less_belief_than_a_number(decoder, spoken):
    """ "The stick is on the stop" was talk in noise, though of all that may be said nothing came near it."""

    class Talk:
        def pieces(self):
            return [Piece(0, len(log_p), OTHER)]

    log_p = spoken("S T IH K AA N DH AH S T AA P")
    phrase = decoder.calls(stretch(log_p, talk=2.1), Talk()).calls
    log_p = spoken("F IH F T IY EY T")
    number = decoder.calls(stretch(log_p, talk=2.1), Talk()).calls

    assert [one.call.name for one in phrase] == ["aft_stop"] and PHRASE_BELIEF < phrase[0].belief < SHORT_BELIEF
    assert number == ()
