"""The queue's sums and limits, each held against a sum by hand or scipy; how well it finds errors is in test_queue."""

import math
from dataclasses import replace

import pytest
from scipy import stats

from logger_app.domain.binomial import clopper_pearson
from logger_app.domain.runs import find_runs
from logger_app.records.calls import Alternative, CallKind, CallStatus, Flag, HeardCall, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import FlightRuns, Run, RunEnd
from logger_app.review.items import Item
from logger_app.review.neighbours import approaches, expectations, p_wrong
from logger_app.review.queue import build_queue
from logger_app.units import s_to_ns

POINT = TestPoint(id="A1", card="A")


def call(
    id,
    at_s,
    value=None,
    kind=CallKind.AIRSPEED,
    name="ias",
    posterior=0.99,
    flags=(),
    status=CallStatus.HEARD,
    alternatives=(),
    unit="kt",
):
    heard = HeardCall(
        id=id,
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=kind,
        name=name,
        value=value,
        unit=unit,
        posterior=posterior,
        flags=flags,
        alternatives=alternatives,
    )
    return ReviewedCall(
        id=id,
        flight_ns=heard.start_ns,
        end_ns=heard.end_ns,
        kind=kind,
        name=name,
        value=value,
        unit=unit,
        status=status,
        ias_kt=value if kind is CallKind.AIRSPEED and isinstance(value, float) else None,
        flags=flags,
        posterior=posterior,
        heard=heard,
    )


def event(at_s, name="break", **more):
    return call(f"e{at_s:g}", at_s, None, CallKind.EVENT, name, unit=None, **more)


def line(n=12, start_s=10.0, step_s=1.0, rate=1.0, start_kt=60.0, **over):
    """Calls of an exact approach; `over` maps an id to changed fields."""
    made = []
    for k in range(n):
        fields = {"id": f"c{k}", "at_s": start_s + step_s * k, "value": start_kt - rate * step_s * k} | over.get(
            f"c{k}", {}
        )
        made.append(call(**fields))
    return made


def queue_of(calls, **more):
    return build_queue(find_runs("f", calls, points=[POINT]), calls, **more)


def items(calls, what, **more):
    return [i for i in queue_of(calls, **more).items if i.item is what]


@pytest.mark.parametrize("wrong, n", [(0, 20), (1, 20), (3, 7), (7, 7), (1, 1), (0, 1), (5, 400)])
def test_the_interval_is_scipys(wrong, n):
    theirs = stats.binomtest(wrong, n).proportion_ci(0.95, method="exact")

    assert clopper_pearson(wrong, n) == pytest.approx((theirs.low, theirs.high))
    assert clopper_pearson(0, 0) == (0.0, 1.0)


def normal(x, sigma):
    return stats.norm.pdf(x, scale=sigma)


def test_without_neighbours_the_posterior_stands_alone_but_never_for_certain():
    assert p_wrong(0.7) == p_wrong(0.7, 50.0) == p_wrong(0.7, None, 50.0) == pytest.approx(0.3)
    assert p_wrong(1.0) == pytest.approx(0.015)


def test_bayes_by_hand_with_a_rival():
    # 0.8 for 50, 0.15 for 60 as heard, 0.05 in no list; the neighbours make 52 likely, give or take 2.
    found = p_wrong(0.8, 50.0, 52.0, 2.0, [(60.0, 0.15)])

    slip = (normal(-3, 2) + normal(-1, 2)) / 2
    wrong = 0.15 * normal(8, 2) + 0.05 * (slip / 6 + (5 / 6) / 80)
    assert found == pytest.approx(wrong / (wrong + 0.8 * normal(-2, 2)))


def test_rivals_that_claim_more_than_there_is_share_what_there_is():
    # 0.2 is left; two rivals claim 0.3 and 0.1: scaled to 0.15 and 0.05, and a fifth of 0.2 stays for what is in no list.
    found = p_wrong(0.8, 50.0, 50.0, 1.0, [(51.0, 0.3), (49.0, 0.1)])

    slip = normal(1, 1)
    wrong = 0.15 * normal(1, 1) + 0.05 * normal(-1, 1) + 0.04 * (slip / 6 + (5 / 6) / 80)
    assert found == pytest.approx(wrong / (wrong + 0.8 * normal(0, 1)))


def test_a_reading_beside_the_line_is_doubted_as_much_above_as_below():
    assert p_wrong(0.9, 53.0, 50.0, 1.0) == pytest.approx(p_wrong(0.9, 47.0, 50.0, 1.0))
    assert p_wrong(0.9, 53.0, 50.0) == p_wrong(0.9, 53.0, 50.0, 1.0)


@pytest.mark.parametrize("pause_s, one", [(12.0, True), (12.1, False)])
def test_an_approach_may_pause_for_12_s(pause_s, one):
    calls = line(4)
    calls.append(call("late", 13 + pause_s, 50.0))

    assert len(approaches(calls)) == (1 if one else 2)


@pytest.mark.parametrize("after_s, ends", [(12.0, True), (12.1, False)])
def test_an_event_ends_an_approach_whose_last_call_was_12_s_ago_at_most(after_s, ends):
    (found,) = approaches([*line(4), event(13 + after_s)])

    assert (found.end_ns == s_to_ns(13 + after_s)) is ends


def test_a_new_start_ends_an_approach_without_a_stall():
    (found,) = approaches([*line(4), event(14, "on_condition")])

    assert found.end_ns is None


def test_the_rhythm_is_the_median_step_of_at_least_four_calls():
    assert approaches(line(4))[0].usual_s == 1.0
    assert approaches(line(3))[0].usual_s is None


def test_neighbours_make_the_line_likely_and_less_surely_beyond_its_end():
    found = expectations(line(8))

    for k in range(8):
        assert found[f"c{k}"].ias_kt == pytest.approx(60 - k)
    assert found["c4"].sigma_kt == pytest.approx(0.6)  # never less than the needle wanders
    # The first and the last lie 1 s beyond the others: 0.4 kt more, in quadrature.
    assert found["c0"].sigma_kt == found["c7"].sigma_kt == pytest.approx(math.hypot(0.6, 0.4))


def test_a_wandering_needle_widens_what_is_likely_up_to_2_kt():
    wander = expectations([call(f"c{k}", 10 + k, 60.0 - k + (0.5 if k % 2 else -0.5)) for k in range(10)])
    wild = expectations([call(f"c{k}", 10 + k, 60.0 - k + (9.0 if k % 2 else -9.0)) for k in range(10)])

    assert 0.8 < wander["c5"].sigma_kt < wild["c5"].sigma_kt == 2.0


@pytest.mark.parametrize("n, known", [(4, True), (3, False)])
def test_three_neighbours_within_10_s_make_a_line(n, known):
    assert (expectations(line(n))["c0"].ias_kt is not None) is known
    assert expectations(line(3))["c0"].sigma_kt == 2.0
    assert (expectations(line(4, step_s=3.3))["c0"].ias_kt is not None) is True  # the farthest is 9.9 s away
    assert (expectations(line(4, step_s=3.4))["c0"].ias_kt is not None) is False


def test_two_calls_at_one_moment_do_not_make_a_slope():
    calls = [
        call("a", 10.0, 60.0),
        call("b", 10.2, 50.0),
        call("c", 12.0, 58.0),
        call("d", 14.0, 56.0),
        call("e", 16.0, 54.0),
    ]

    assert expectations(calls)["d"].ias_kt == pytest.approx(56.0, abs=0.5)
    # Of the first three, by hand: a to c -1 kt/s, b to c 8 in 1.8 s; the median of the two; a to b is too near.
    slope = (-1 + 8 / 1.8) / 2
    assert expectations(calls[:4])["d"].ias_kt == pytest.approx(58 + 2 * slope)


def test_a_silence_of_one_and_a_half_times_the_rhythm_is_a_call_that_was_due():
    def silence(step_s):
        calls = line(8)
        calls = calls[:5] + [call(f"d{k}", 14 + step_s + k, 55.0 - k) for k in range(4)]
        return items([*calls, event(18 + step_s)], Item.DUE)

    assert silence(1.39) == []
    (due,) = silence(2.0)
    assert (due.id, due.flight_ns, due.proposed, due.target) == ("due-c4", s_to_ns(15), 56.0, None)
    assert due.why == ("2.0 s gap; calls are usually 1.0 s apart",)
    # The event comes at 20 s, 5 s after the middle of the silence: 0.2 / (1 + 5 / 4).
    assert due.effect_kt == pytest.approx(0.2 / 2.25)


def test_a_silence_before_the_event_is_read_on_at_the_pace_of_the_last_calls():
    (due,) = items([*line(8), event(20)], Item.DUE)

    # From 53 kt at 17 s on at 1 kt/s to 50 kt at 20 s; halfway between.
    assert (due.id, due.flight_ns, due.proposed) == ("due-c7", s_to_ns(18.5), 52.0)  # 51.5, to the nearest even mark
    assert items([*line(8), event(20)], Item.DUE, graduation=5.0)[0].proposed == 50.0
    assert items([*line(8), event(17.5, "buffet"), event(20)], Item.DUE) == []  # something was said


def test_what_was_due_is_proposed_in_the_pilots_unit():
    assert items([*line(8), event(20)], Item.DUE, unit="km/h")[0].proposed == 95.0  # 51.5 kt times 1.852 is 95.4


def test_a_run_that_fits_no_point_is_asked_about_and_a_discarded_one_is_not():
    def asked(**over):
        base = {
            "id": "r1",
            "number": 1,
            "flight": "f",
            "start_ns": 0,
            "end_ns": 1,
            "point": "A1",
            "calls": (event(1),),
            "ended": RunEnd.RECOVERED,
        }
        queue = build_queue(FlightRuns(flight="f", runs=(Run(**base | over),)), [])
        return [why for i in queue.items if i.item in (Item.RUN, Item.POINT) for why in i.why]

    assert asked() == []
    assert asked(point=None, why_no_point="flap 40") == ["no test point: flap 40"]
    assert asked(point=None, discarded=True) == []
    assert asked(calls=(event(1, status=CallStatus.REJECTED),)) == ["no stall event was called: when did it stall?"]


def test_how_sure_an_event_must_be_and_what_it_would_change():
    def doubt(posterior, name="buffet", inside=True):
        calls = [*line(8), event(17.5 if inside else 60, name, posterior=posterior), event(18)]
        return next((i for i in queue_of(calls).items if i.target == ("e17.5" if inside else "e60")), None)

    assert doubt(0.88) is None or doubt(0.88).item is Item.SAMPLE
    found = doubt(0.86)
    assert found.why == ("low confidence (86 %)",)
    assert found.effect_kt == pytest.approx(0.14)  # moves the whole run: 1 kt times the chance that it is wrong
    assert doubt(0.86, inside=False).effect_kt == pytest.approx(0.014)


def test_a_rival_of_one_in_ten_is_named():
    def why(share):
        rival = Alternative(kind=CallKind.AIRSPEED, name="ias", value=15.0, posterior=share)
        calls = [*line(10, c5={"value": 50.0, "posterior": 0.8, "alternatives": (rival,)}), event(20)]
        return next(i for i in queue_of(calls).items if i.target == "c5").why

    assert "also sounds like 15" in why(0.1)
    assert not any("sounds like" in w for w in why(0.09))


def test_the_only_readings_of_an_approach_decide_all():
    one = next(i for i in queue_of([call("a", 10, 50.0), event(11)]).items if i.target == "a")

    assert one.why == ("an airspeed that belongs to no run",)
    assert one.effect_kt == 0.0


def test_the_effect_of_a_call_is_how_far_the_line_at_the_event_moves_without_it():
    import numpy as np

    values = [60.0, 59.0, 58.0, 57.0, 56.0, 55.0, 54.0, 50.0]
    calls = [call(f"c{k}", 10 + k, v) for k, v in enumerate(values)]
    found = next(i for i in queue_of([*calls, event(18)]).items if i.target == "c7")
    late = np.arange(10, 18) - 18.0
    with_it, without = (np.polyval(np.polyfit(late[:n], values[:n], 1), 0.0) for n in (8, 7))

    assert found.effect_kt == pytest.approx(abs(with_it - without) * found.p_wrong)
    assert f"changes the stall speed by {abs(with_it - without):.1f} kt on its own" in found.why


def test_items_come_in_the_order_of_what_they_would_change():
    calls = [*line(10, c3={"value": 40.0, "posterior": 0.5}, c8={"value": 70.0, "posterior": 0.5}), event(20)]
    found = queue_of(calls).items

    assert [i.effect_kt for i in found if i.item is not Item.SAMPLE] == sorted(
        (i.effect_kt for i in found if i.item is not Item.SAMPLE), reverse=True
    )
    assert found[0].as_json()["flight_s"] == found[0].flight_ns / 1e9
    document = next(i for i in found if i.target == "c3").as_json()
    assert document["p_wrong"] == round(next(i for i in found if i.target == "c3").p_wrong, 3)
    assert (document["item"], document["target"], document["run"]) == ("call", "c3", "run-c0")


def test_what_only_the_second_listening_heard():
    second = [
        {"call": None, "heard": [{"id": "x", "start_ns": s_to_ns(t), "value": 57.0, "name": "ias"}]}
        for t in (12.5, 12.39, 60)
    ]
    inside, known, outside = (items([*line(8), event(18)], Item.EXTRA, second=[row]) for row in second)

    assert [(i.id, i.proposed, i.effect_kt, i.run) for i in inside] == [("extra-x", 57.0, 0.2, "run-c0")]
    assert known == []  # 0.39 s from a call that is there
    assert [(i.effect_kt, i.run) for i in outside] == [(0.05, None)]


def test_a_flag_that_asks_for_a_look_is_enough():
    found = queue_of([*line(8, c4={"flags": (Flag.CLIPPED,)}), event(18, flags=(Flag.CLIPPED,))]).items

    assert [i.why for i in found if i.target == "c4"] == [("the sound is clipped",)]
    assert not [i for i in found if i.target == "e18" and i.item is Item.CALL]  # of an event the sound matters less


def proposed_for(value, flags=(Flag.CLIPPED,), posterior=0.8, alternatives=()):
    calls = [
        *line(12, c6={"value": value, "flags": flags, "posterior": posterior, "alternatives": alternatives}),
        event(22),
    ]
    return next(i for i in queue_of(calls).items if i.target == "c6").proposed


def test_two_standard_deviations_from_the_line_the_line_is_proposed():
    # The line says 54, give or take 0.6.
    assert proposed_for(55.5) == 54.0
    assert proposed_for(55.0) is None


def test_a_rival_that_fits_no_better_than_any_number_is_not_proposed():
    def rival(kt):
        return (Alternative(kind=CallKind.AIRSPEED, name="ias", value=kt, posterior=0.2),)

    assert proposed_for(20.0, alternatives=rival(48.0)) == 54.0  # ten standard deviations off: the line
    assert proposed_for(20.0, alternatives=rival(55.0)) == 55.0


def test_of_two_readings_each_alone_moves_the_stall_speed():
    calls = [event(9, "on_condition"), call("a", 10, 60.0), call("b", 12, 55.0), event(13)]
    found = {i.target: i.why for i in queue_of(calls).items}

    assert found["b"] == ("changes the stall speed by 5.0 kt on its own",)
    assert "a" not in found  # the lowest stays 55


def test_an_item_as_json_is_rounded():
    item = next(
        i for i in queue_of([*line(8, c3={"value": 40.0, "posterior": 0.5}), event(18)]).items if i.target == "c3"
    )
    rounded = replace(item, p_wrong=0.12345, effect_kt=0.5678).as_json()

    assert (rounded["p_wrong"], rounded["effect_kt"]) == (0.123, 0.57)
