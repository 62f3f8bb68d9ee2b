"""Properties of the fit of an approach, and that no run, however odd, ends in an unlabelled number."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger_app.domain.approach import fit_approach
from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.plan import Indicator, TestPoint
from logger_app.records.runs import Run, RunEnd, StallEvent
from logger_app.reduce.quality import judge
from logger_app.reduce.stall_speed import stall_of_run

gaps = st.lists(st.floats(0.4, 2.5), min_size=4, max_size=25)


@settings(deadline=None)
@given(st.floats(30, 90), st.floats(0.3, 2.5), gaps, st.floats(0.2, 2.0))
def test_a_straight_approach_is_found_whatever_the_rhythm_of_the_calls(vs, rate, between, last):
    back = (last + np.cumsum([0.0, *between]))[::-1]

    fit = fit_approach(100 - back, vs + rate * back, 100.0, 0.29)

    assert fit.ias_kt == pytest.approx(vs, abs=1e-5)
    assert fit.entry_rate_kt_per_s == pytest.approx(rate, abs=1e-5)


@settings(deadline=None)
@given(st.floats(30, 90), st.floats(0.3, 2.0), gaps, st.floats(-500, 500))
def test_moving_the_clock_or_the_scale_of_speed_moves_the_result_with_it(vs, rate, between, shift):
    back = (0.5 + np.cumsum([0.0, *between]))[::-1]
    speeds = np.round(vs + rate * back)

    a = fit_approach(100 - back, speeds, 100.0, 0.29)
    b = fit_approach(100 + shift - back, speeds, 100.0 + shift, 0.29)

    assert (a is None) == (b is None)
    if a:
        assert b.ias_kt == pytest.approx(a.ias_kt, abs=1e-5)
        assert b.entry_rate_kt_per_s == pytest.approx(a.entry_rate_kt_per_s, abs=1e-5)


@settings(deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([-20, -10, 10, 20, 40]))
def test_one_wild_call_in_a_steady_approach_is_never_believed(seed, error):
    rng = np.random.default_rng(seed)
    vs, rate = rng.uniform(40, 60), rng.uniform(0.6, 1.4)
    back = np.cumsum(rng.uniform(0.7, 1.3, 14))[::-1]
    speeds = np.round(vs + rate * back)
    which = int(rng.integers(2, 14))
    speeds[which] += error
    assume(speeds[which] > 0)

    fit = fit_approach(100 - back, speeds, 100.0, 0.29)

    assert fit.weight[which] < 0.05
    assert abs(fit.ias_kt - vs) < 2.0


NAMES = [
    "break",
    "aft_stop",
    "wing_drop_left",
    "heavy_buffet",
    "buffet",
    "stall_warning",
    "recovered",
    "mush",
    "unheard_of",
]


@st.composite
def any_calls(draw):
    calls = []
    for k in range(draw(st.integers(0, 14))):
        at = draw(st.integers(0, 40_000_000_000))
        speed = draw(st.one_of(st.none(), st.floats(allow_nan=True), st.integers(30, 90).map(float)))
        event = draw(st.sampled_from(NAMES))
        airspeed = draw(st.booleans())
        calls.append(
            ReviewedCall(
                id=f"c{k}",
                flight_ns=at,
                end_ns=at + 400_000_000,
                kind=CallKind.AIRSPEED if airspeed else CallKind.EVENT,
                name="ias" if airspeed else event,
                value=speed,
                unit="kt",
                status=draw(st.sampled_from(list(CallStatus))),
                ias_kt=speed if airspeed else None,
            )
        )
    return calls


@settings(max_examples=200, deadline=None)
@given(any_calls(), st.sampled_from(list(RunEnd)), st.sampled_from([None, True, False]))
def test_any_run_gives_a_labelled_result_or_says_why_not(calls, ended, overruled):
    run = Run(
        id="r",
        number=1,
        flight="f",
        start_ns=0,
        end_ns=1,
        point="A1",
        calls=tuple(calls),
        ended=ended,
        overruled=overruled,
    )

    stall = stall_of_run(run, Indicator())
    verdict = judge(run, stall, TestPoint(id="A1", card="A"), "base")

    if stall.ias_kt is not None:
        assert math.isfinite(stall.ias_kt) and stall.ias_u_kt > 0
    if stall.method == "lowest" and stall.ias_kt is not None:
        assert stall.notes, "a fall-back without its caveat"
    if verdict.counts:
        assert stall.ias_kt is not None
        assert stall.event is not StallEvent.NOT_REACHED or overruled
    else:
        assert verdict.why
