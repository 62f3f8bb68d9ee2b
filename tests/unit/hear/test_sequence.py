import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.hear.alike import alike_share
from logger_app.hear.sequence import SequenceReader, read_sequence
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall
from logger_app.units import s_to_ns

LOOK = {Flag.UNSURE, Flag.IMPLAUSIBLE, Flag.SOUNDS_LIKE, Flag.OUT_OF_RANGE, Flag.NO_DECADE}


def ias(t, value, posterior=0.97, rivals=(), flags=(), name="ias", call_id=None):
    return HeardCall(
        id=call_id or f"c{t:g}",
        start_ns=s_to_ns(t),
        end_ns=s_to_ns(t + 0.6),
        kind=CallKind.AIRSPEED,
        name=name,
        value=float(value),
        unit="kt",
        posterior=posterior,
        flags=tuple(flags),
        alternatives=tuple(
            Alternative(kind=CallKind.AIRSPEED, name="ias", value=float(v), posterior=p) for v, p in rivals
        ),
    )


def event(t, name):
    return HeardCall(id=f"e{t:g}", start_ns=s_to_ns(t), end_ns=s_to_ns(t + 0.4), kind=CallKind.EVENT, name=name)


def approach(values, start=1.0, every=1.5, **changed):
    return [changed.get(f"at{k}") or ias(start + k * every, value) for k, value in enumerate(values)]


def read(calls, **limits):
    return read_sequence(calls, **({"low": 30, "high": 110} | limits))


def test_a_plausible_approach_is_believed_without_flags():
    calls = read(approach([62, 61, 59, 58, 56, 55, 53, 52, 52, 51]))

    assert [c.value for c in calls] == [62, 61, 59, 58, 56, 55, 53, 52, 52, 51]
    assert all(c.posterior > 0.95 and not LOOK & set(c.flags) and c.proposed is None for c in calls)


@pytest.mark.parametrize("heard, meant", [(15, 50), (55, 59), (52, 56), (65, 55)])
def test_a_misheard_call_keeps_its_value_and_gets_a_proposal(heard, meant):
    values = [meant + 4, meant + 3, meant + 1, heard, meant - 1, meant - 3]
    wrong = ias(5.5, heard, 0.6, [(meant, 0.3)], call_id="wrong")
    calls = {c.id: c for c in read(approach(values, at3=wrong), low=10)}

    assert calls["wrong"].value == heard, "what was heard is never changed"
    assert calls["wrong"].proposed == meant
    assert LOOK & set(calls["wrong"].flags) and calls["wrong"].posterior < 0.5


def test_without_rivals_a_jump_is_implausible():
    calls = read(approach([62, 61, 59, 88, 56, 55]))

    assert Flag.IMPLAUSIBLE in calls[3].flags and calls[3].proposed in (57, 58)
    assert all(not LOOK & set(c.flags) for k, c in enumerate(calls) if k != 3)


def test_pairs_that_sound_alike_say_so():
    near = ias(5.5, 55, 0.55, [(59, 0.4)])
    calls = read(approach([63, 62, 60, 55, 57, 56], at3=near))

    assert Flag.SOUNDS_LIKE in calls[3].flags and calls[3].proposed == 59


@pytest.mark.parametrize(
    "a, b", [(13, 30), (14, 40), (15, 50), (16, 60), (17, 70), (18, 80), (19, 90), (113, 130), (55, 59), (43, 42)]
)
def test_which_numbers_sound_alike(a, b):
    assert alike_share(a, b) == alike_share(b, a) > 0


@pytest.mark.parametrize("a, b", [(58, 58), (58, 57), (15, 60), (113, 30)])
def test_which_do_not(a, b):
    assert alike_share(a, b) == 0


def test_last_digits_are_completed_in_the_decade_where_the_speed_is():
    digits = [ias(2.5, 7, flags=[Flag.SHORTHAND]), ias(5.5, 9, flags=[Flag.SHORTHAND])]
    calls = read([ias(1, 58), digits[0], ias(4, 50), digits[1], ias(7, 48)])
    calls = read([ias(1, 58), digits[0], ias(2.5 + 4, 50), ias(8, 9, flags=[Flag.SHORTHAND]), ias(9.5, 48)])

    assert [c.value for c in calls] == [58, 57, 50, 49, 48]
    assert [Flag.SHORTHAND in c.flags for c in calls] == [False, True, False, True, False]


def test_a_digit_after_sixty_is_fifty_something():
    calls = read([ias(1, 61), ias(2.2, 60), ias(3.4, 9, flags=[Flag.SHORTHAND])])

    assert calls[-1].value == 59


def test_a_digit_with_nothing_to_complete_it_from_is_flagged():
    reader = SequenceReader(low=30, high=110)
    call = reader.read(ias(1, 7, flags=[Flag.SHORTHAND]))

    assert call.value == 7 and Flag.NO_DECADE in call.flags and call.proposed is None


def test_on_the_ground_a_first_digit_is_completed_from_what_follows():
    calls = read([ias(1, 9, flags=[Flag.SHORTHAND]), ias(2.5, 58), ias(4, 57)])

    assert calls[0].value == 59 and Flag.NO_DECADE not in calls[0].flags


def test_a_new_approach_after_a_gap_is_no_surprise():
    calls = read(
        approach([58, 56, 55, 53])
        + [event(7, "break"), event(9, "recovered"), event(40, "on_condition")]
        + approach([65, 64, 62], start=44)
    )

    assert all(not LOOK & set(c.flags) for c in calls)


def test_a_recovery_rises():
    calls = read(approach([55, 54, 53, 51, 50]) + [event(8.2, "break"), ias(10, 54), ias(12, 60)])

    assert all(c.proposed is None for c in calls)


def test_out_of_range_is_said():
    calls = read(approach([62, 61, 200, 58]))

    assert Flag.OUT_OF_RANGE in calls[2].flags and calls[2].value == 200 and calls[2].posterior == 0


def test_other_kinds_pass_through_untouched_and_order_is_by_time():
    calls = [event(3, "buffet"), ias(1, 58)]

    assert read(calls) == (read([calls[1]])[0], calls[0])


def test_flags_of_the_engine_about_the_sound_stay():
    (call,) = read([ias(1, 58, flags=[Flag.CLIPPED, Flag.UNSURE])])

    assert Flag.CLIPPED in call.flags


def test_live_reading_uses_only_what_came_before():
    calls = approach([62, 61, 59, 58, 88, 55])
    reader = SequenceReader(low=30, high=110)
    live = [reader.read(call) for call in calls]
    other = SequenceReader(low=30, high=110)
    again = [other.read(call) for call in calls[:5]]

    assert live[:5] == again
    assert Flag.IMPLAUSIBLE in live[4].flags and not LOOK & set(live[3].flags)
    assert reader.expected()[0] <= 55 <= reader.expected()[1]


@pytest.mark.parametrize("unit, factor", [("mph", 1.15), ("km/h", 1.852)])
def test_a_dial_in_another_unit_reads_the_same_approach(unit, factor):
    values = [round(v * factor) for v in (62, 61, 59, 58, 56, 55, 53)]
    calls = read_sequence(approach(values), unit=unit, low=40, high=250)
    wrong = read_sequence(approach([*values[:3], round(88 * factor), *values[4:]]), unit=unit, low=40, high=250)

    assert all(c.posterior > 0.9 and c.proposed is None for c in calls)
    assert Flag.IMPLAUSIBLE in wrong[3].flags


def test_nothing_to_read():
    assert read_sequence([]) == ()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 4000, allow_nan=False),
            st.integers(0, 320),
            st.floats(0, 1),
            st.sampled_from(["ias", "break", "recovered"]),
        ),
        max_size=25,
    )
)
def test_any_calls_are_read_without_losing_one(rows):
    calls = [
        ias(t, v, p, call_id=f"k{k}") if name == "ias" else event(t, name) for k, (t, v, p, name) in enumerate(rows)
    ]
    calls = list({c.id: c for c in calls}.values())
    out = read_sequence(calls)
    reader = SequenceReader()
    live = [reader.read(call) for call in sorted(calls, key=lambda c: c.start_ns)]

    for got in (out, live):
        assert sorted(c.id for c in got) == sorted(c.id for c in calls)
        assert all(0 <= c.posterior <= 1 and not math.isnan(c.posterior) for c in got)
    kept = {c.id: c.value for c in calls if c.value is None or c.value > 9}
    assert all(kept[c.id] == c.value for c in out if c.id in kept)
