"""Every quality rule excludes or remarks on the run that breaks it; the pilot can overrule."""

from dataclasses import replace

import pytest

from logger_app.records.plan import Indicator, TestPoint
from logger_app.records.runs import RunEnd, StallEvent
from logger_app.reduce.quality import RULES, judge
from logger_app.reduce.stall_speed import RunStall, stall_of_run

POINT = TestPoint(id="A1", card="A", altitude_low_ft=4000, altitude_high_ft=6000)


def verdict(make, calls=None, point=POINT, configuration="base", **over):
    run = make.run(calls, **over)
    return judge(run, stall_of_run(run, Indicator()), point, configuration)


def test_a_good_run_counts(make):
    assert verdict(make) == replace(verdict(make), counts=True, why=(), caveats=())


@pytest.mark.parametrize(
    "calls, description",
    [
        (lambda m: m.approach(event="recovered"), "no stall event"),
        (lambda m: [m.speed(1, 50.0), m.speed(2, 49.0), m.event(3, "break")], "2 airspeed(s)"),
        (
            lambda m: [*m.approach()[:-1], m.event(m.approach()[-1].flight_s + 6, "break")],
            "before the event; at most 4 s",
        ),
        (lambda m: [*[m.speed(k, 60.0) for k in range(9)], m.event(9.5, "break")], "do not fall"),
        (lambda m: [*[m.speed(k, 50.0 + k) for k in range(9)], m.event(9.5, "break")], "do not fall"),
        (lambda m: m.approach(rate=3.0, every_s=0.7), "the card asks for 0.5 to 1.5"),
        (lambda m: m.approach(rate=0.25), "the card asks for 0.5 to 1.5"),
    ],
)
def test_what_does_not_count_says_why(make, calls, description):
    found = verdict(make, calls(make))

    assert not found.counts
    assert any(description in why for why in found.why)


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
    "over, calls, description",
    [
        ({"ended": RunEnd.GAP}, None, "broke off"),
        ({}, lambda m: m.approach(start_kt=52.0), "above the stall"),
        ({}, lambda m: [m.setting(1, "altitude", 7500.0), *m.approach()], "outside the card's band"),
    ],
)
def test_caveats_leave_the_run_in(make, over, calls, description):
    found = verdict(make, calls(make) if calls else None, **over)

    assert found.counts
    assert any(description in caveat for caveat in found.caveats)


def test_every_rule_is_stated_once():
    names = [name for name, _, _ in RULES]

    assert len(set(names)) == len(names)
    assert {effect for _, effect, _ in RULES} == {"excluded", "left out", "caveat"}


def judged(make, point=POINT, **over):
    """A sound run at every limit that a test does not move."""
    at = {"event": StallEvent.PITCH_DOWN, "event_s": 30.0, "method": "fit", "ias_kt": 45.0, "ias_u_kt": 0.5}
    at |= {"rate_kt_per_s": 1.0, "rate_u_kt_per_s": 0.25, "calls_before": 9, "last_call_gap_s": 1.0}
    at |= {"start_ias_kt": 60.0, "last_call_ias_kt": 46.0, "altitude_ft": 5000.0}
    return judge(make.run(), RunStall(**at | over), point, "base")


@pytest.mark.parametrize(
    "kept, broken",
    [
        ({"calls_before": 3}, {"calls_before": 2}),
        ({"last_call_gap_s": 4.0}, {"last_call_gap_s": 4.1}),
        ({"ias_u_kt": 2.0}, {"ias_u_kt": 2.1}),
        # The card's band is 0.5 to 1.5 kt/s: a rate within its own uncertainty of it counts.
        ({"rate_kt_per_s": 1.75}, {"rate_kt_per_s": 1.8}),
        ({"rate_kt_per_s": 0.25}, {"rate_kt_per_s": 0.2}),
        ({"rate_kt_per_s": 1.5, "rate_u_kt_per_s": None}, {"rate_kt_per_s": 1.6, "rate_u_kt_per_s": None}),
        ({"rate_kt_per_s": 0.1, "rate_u_kt_per_s": 0.5}, {"rate_kt_per_s": 0.09, "rate_u_kt_per_s": 0.5}),
        ({"rate_kt_per_s": None}, {"event": StallEvent.NOT_REACHED}),
        # A stall speed is not read farther than 2 kt below the last speed that anybody called.
        ({"last_call_ias_kt": 47.0}, {"last_call_ias_kt": 47.1}),
        ({"method": "lowest", "last_call_ias_kt": 60.0}, {"last_call_ias_kt": 60.0}),
    ],
)
def test_every_limit_belongs_to_what_counts(make, kept, broken):
    assert judged(make, **kept).counts
    assert len(judged(make, **broken).why) == 1


@pytest.mark.parametrize(
    "kept, broken, description",
    [
        ({"start_ias_kt": 55.0}, {"start_ias_kt": 54.9}, "above the stall"),  # 14 CFR 23.201(b): at least 10 kt
        ({"last_call_ias_kt": 42.5}, {"last_call_ias_kt": 42.4}, "above the last call"),
        ({"altitude_ft": 4000.0}, {"altitude_ft": 3999.0}, "outside the card's band"),
        ({"altitude_ft": 6000.0}, {"altitude_ft": 6001.0}, "outside the card's band"),
    ],
)
def test_every_caveat_begins_beyond_its_limit(make, kept, broken, description):
    assert judged(make, **kept).caveats == ()
    (caveat,) = judged(make, **broken).caveats
    assert description in caveat


@pytest.mark.parametrize(
    "bank_deg, rate, u, said",
    [
        # 14 CFR 23.203(a)(1): a turning stall is entered at not more than 1 kt/s.
        (30.0, 1.25, 0.25, False),
        (30.0, 1.3, 0.25, True),
        (-30.0, 1.3, 0.25, True),
        (5.0, 1.3, 0.25, False),
        (5.5, 1.3, 0.25, True),
        (30.0, 1.3, None, True),
        (30.0, None, 0.25, False),
    ],
)
def test_a_turning_stall_is_entered_slowly(make, bank_deg, rate, u, said):
    found = judged(make, replace(POINT, bank_deg=bank_deg), rate_kt_per_s=rate, rate_u_kt_per_s=u)

    assert found.counts
    assert any("23.203" in caveat for caveat in found.caveats) is said


def test_an_altitude_band_that_is_open_on_one_side(make):
    assert judged(make, replace(POINT, altitude_low_ft=None), altitude_ft=100.0).caveats == ()
    assert judged(make, replace(POINT, altitude_high_ft=None), altitude_ft=20_000.0).caveats == ()
    assert judged(make, altitude_ft=None).caveats == ()


def test_a_run_that_lacks_figures_is_judged_by_what_there_is(make):
    found = judged(
        make, None, ias_u_kt=None, start_ias_kt=None, last_call_ias_kt=None, last_call_gap_s=None, rate_kt_per_s=9.0
    )

    assert len(found.why) == 1 and "campaign" in found.why[0]  # only the point is missing
    assert found.caveats == ()


def test_an_overruling_that_changes_nothing_is_not_mentioned(make):
    run = make.run(overruled=True)

    assert judge(run, stall_of_run(run, Indicator()), POINT, "base").caveats == ()


def test_a_discarded_run_says_why(make):
    assert verdict(make, discarded=True, why_discarded="gust").why == ("discarded: gust",)
    assert verdict(make, discarded=True).why == ("discarded: by the pilot",)


def test_an_overruling_says_what_was_decided_against_what(make):
    into = verdict(make, make.approach(rate=3.0, every_s=0.7), overruled=True).caveats[-1]
    out = verdict(make, overruled=False)

    assert into.startswith("the pilot overruled: the run counts although entry rate")
    assert out.caveats[-1] == "the pilot overruled: the run does not count although no rule excluded it"
    assert out.why == ("the pilot overruled: it does not count",)


def test_an_extrapolated_stall_speed_counts_when_a_trace_or_a_person_confirms_it(make):
    far = RunStall(
        event=StallEvent.PITCH_DOWN,
        event_s=30.0,
        method="fit",
        ias_kt=45.0,
        ias_u_kt=0.5,
        rate_kt_per_s=1.0,
        rate_u_kt_per_s=0.2,
        calls_before=9,
        last_call_gap_s=1.0,
        last_call_ias_kt=49.1,
    )

    assert judge(make.run(), far, POINT, "base").why == (
        "the stall speed lies 4.1 kt below the last call; at most 2 kt",
    )
    assert judge(make.run(), far, POINT, "base", trace_ias_kt=45.8).counts
    assert not judge(make.run(), far, POINT, "base", trace_ias_kt=48.0).counts
    assert judge(make.run(overruled=True), far, POINT, "base").counts
    alone, beside = (judge(make.run(discarded=thrown), far, POINT, "base") for thrown in (False, True))
    assert alone.too_far_only and not beside.too_far_only


def test_an_approach_begun_well_above_the_trim_speed_on_the_card_says_so(make):
    def caveats(trim_ias_kt):
        return verdict(make, make.approach(start_kt=62.0), point=replace(POINT, trim_ias_kt=trim_ias_kt)).caveats

    assert "the first airspeed called is 62 kt; the card begins trimmed at 56 kt" in caveats(56.0)
    assert caveats(58.0) == caveats(70.0) == caveats(None)
