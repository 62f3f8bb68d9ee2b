"""Every quality rule excludes or remarks on the run that breaks it; the pilot can overrule."""

from dataclasses import replace

import pytest

from logger_app.records.plan import Indicator, TestPoint
from logger_app.records.runs import RunEnd
from logger_app.reduce.quality import RULES, judge
from logger_app.reduce.stall_speed import stall_of_run

POINT = TestPoint(id="A1", card="A", altitude_low_ft=4000, altitude_high_ft=6000)


def verdict(make, calls=None, point=POINT, configuration="base", **over):
    run = make.run(calls, **over)
    return judge(run, stall_of_run(run, Indicator()), point, configuration)


def test_a_good_run_counts(make):
    assert verdict(make) == replace(verdict(make), counts=True, why=(), caveats=())


@pytest.mark.parametrize(
    "calls, says",
    [
        (lambda m: m.approach(event="recovered"), "no stall event"),
        (lambda m: [m.speed(1, 50.0), m.speed(2, 49.0), m.event(3, "break")], "2 airspeed(s)"),
        (lambda m: [*m.approach()[:-1], m.event(m.approach()[-1].flight_s + 6, "break")], "before the event; at most 4 s"),
        (lambda m: [*[m.speed(k, 60.0) for k in range(9)], m.event(9.5, "break")], "do not fall"),
        (lambda m: [*[m.speed(k, 50.0 + k) for k in range(9)], m.event(9.5, "break")], "do not fall"),
        (lambda m: m.approach(rate=3.0, every_s=0.7), "the card asks for 0.5 to 1.5"),
        (lambda m: m.approach(rate=0.25), "the card asks for 0.5 to 1.5"),
    ],
)
def test_what_does_not_count_says_why(make, calls, says):
    found = verdict(make, calls(make))

    assert not found.counts
    assert any(says in why for why in found.why)


def test_all_reasons_are_given_at_once(make):
    found = verdict(make, [make.speed(1, 50.0), make.event(3, "break")], point=None, configuration=None, discarded=True)

    assert len(found.why) == 4


def test_the_pilot_can_overrule_in_both_directions(make):
    excluded = verdict(make, make.approach(rate=3.0, every_s=0.7), overruled=True)
    included = verdict(make, overruled=False)

    assert excluded.counts and "overruled" in excluded.caveats[-1] and "the card asks" in excluded.caveats[-1]
    assert not included.counts and "overruled" in included.why[0]


def test_a_run_without_point_speed_or_configuration_cannot_be_overruled_in(make):
    assert not verdict(make, point=None, overruled=True).counts
    assert not verdict(make, [make.event(3, "break")], overruled=True).counts


@pytest.mark.parametrize(
    "over, calls, says",
    [
        ({"ended": RunEnd.GAP}, None, "broke off"),
        ({}, lambda m: m.approach(start_kt=52.0), "above the stall"),
        ({}, lambda m: [m.setting(1, "altitude", 7500.0), *m.approach()], "outside the card's band"),
    ],
)
def test_caveats_leave_the_run_in(make, over, calls, says):
    found = verdict(make, calls(make) if calls else None, **over)

    assert found.counts
    assert any(says in caveat for caveat in found.caveats)


def test_every_rule_is_stated_once():
    names = [name for name, _, _ in RULES]

    assert len(set(names)) == len(names)
    assert {effect for _, effect, _ in RULES} == {"excluded", "left out", "caveat"}


def test_the_verdict_in_the_air_uses_the_same_limits_and_kinds():
    # Rooms do not import each other, so the cockpit keeps its own copy; it must not drift.
    from logger_app.fly import verdict as in_the_air
    from logger_app.reduce import quality
    from logger_app.reduce.events import MEANINGS

    assert in_the_air.LONGEST_GAP_S == quality.LONGEST_GAP_S
    assert in_the_air.FEWEST_CALLS == quality.FEWEST_CALLS
    ours = {name: meaning.stall for name, meaning in MEANINGS.items() if meaning.stall}
    assert {name: in_the_air.STALL_EVENTS.get(name) for name in ours} == ours
