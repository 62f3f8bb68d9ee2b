"""What sounds alike is doubted, and settled only by what was said around it."""

import pytest

from logger_app.hear.alike import open_nats
from logger_app.hear.packs_io import load_pack
from logger_app.hear.parse import parse_words
from logger_app.hear.sequence import read_sequence
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall
from logger_app.units import s_to_ns


def said(value: float, start_s: float, rival: float | None = None) -> HeardCall:
    """An airspeed heard surely; with a rival, one that the engine could not rule out."""
    return HeardCall(
        id=f"c{start_s:g}",
        start_ns=s_to_ns(start_s),
        end_ns=s_to_ns(start_s + 0.6),
        kind=CallKind.AIRSPEED,
        name="ias",
        value=value,
        unit="kt",
        posterior=0.97,
        flags=(Flag.SOUNDS_LIKE,) if rival else (),
        alternatives=(Alternative(kind=CallKind.AIRSPEED, name="ias", value=rival, posterior=0.02),) if rival else (),
    )


def test_a_sixty_that_may_be_a_fifty_stays_flagged_when_alone():
    (call,) = read_sequence([said(62.0, 1.0, rival=52.0)])

    assert Flag.SOUNDS_LIKE in call.flags


def test_neighbours_settle_it():
    calls = [said(64.0, 1.0), said(63.0, 2.5), said(62.0, 4.0, rival=52.0), said(61.0, 5.5)]

    read = read_sequence(calls)

    assert not any(call.flags for call in read)


@pytest.mark.parametrize(("value", "other"), [(52, 62), (15, 50), (60, 68), (55, 59), (116, 160)])
def test_what_is_taken_for_each_other_is_doubted_both_ways(value, other):
    assert open_nats(value, other) > 0 < open_nats(other, value)


def test_a_sixty_is_doubted_for_longer_than_a_fifty():
    """Where its first sound is weak, fifty is heard as sixty; the reverse was never seen."""
    assert open_nats(62, 52) > open_nats(52, 62)


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("it's breaking", "break"),
        ("there it breaks", "break"),
        ("stick's all the way back", "aft_stop"),
        ("all the way back now", "aft_stop"),
        ("right wing going down first", "wing_drop_right"),
        ("she's dropping the left", "wing_drop_left"),
        ("we're in the buffet", "buffet"),
        ("just mushing", "mush"),
        ("abort", "knock_it_off"),
        ("stop stop stop", "knock_it_off"),
        ("skip this card", "next_card"),
        ("card a three", "card"),
    ],
)
def test_events_as_people_narrate_them(words, name):
    assert [call.name for call in parse_words(words.split(), load_pack("en"))] == [name]


@pytest.mark.parametrize(
    "words",
    ["stall warning never went off", "no buffet yet", "it's not breaking", "never broke", "the nose never dropped"],
)
def test_what_did_not_happen_is_no_event(words):
    assert not parse_words(words.split(), load_pack("en"))


def test_zero_alone_is_a_last_digit():
    (call,) = parse_words(["zero"], load_pack("en"), 51.0)

    assert call.shorthand and call.value == 50.0
