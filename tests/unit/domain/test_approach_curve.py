"""When an approach was at a speed: one rule, its cases in a table."""

import pytest
from scipy.interpolate import interp1d

from logger_app.domain.approach_curve import ApproachCurve, curve_of, straight
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent

# Fitted from 59 to 50 kt over 9 s that end at 98 s; two readings above it, 4 s apart.
FITTED = tuple((89.0 + k, 59.0 - k) for k in range(10))
CALLED = ((83.0, 65.0), (87.0, 61.0), (90.0, 58.0))


@pytest.mark.parametrize(
    "ias_kt, expected_s",
    [
        (59.0, 89.0),  # the fast end of the fitted part
        (55.5, 92.5),  # inside
        (50.0, 98.0),  # the event
        (49.5, 98.5),  # a little slower than was flown: by the slope at the end
        (48.9, None),  # more than 1 kt slower: not flown
        (60.0, 88.0),  # between the last reading before the fit and its first point
        (62.5, 85.5),  # between readings
        (65.5, 82.5),  # a little faster than the first reading
        (66.5, None),
    ],
)
def test_the_time_at_a_speed(ias_kt, expected_s):
    found = ApproachCurve(fitted=FITTED, called=CALLED).time_at_s(ias_kt)

    assert found == (None if expected_s is None else pytest.approx(expected_s))


def test_the_speed_at_a_time_is_scipys_interpolation():
    """Outside check: scipy.interpolate on the same points."""
    curve = ApproachCurve(fitted=FITTED, called=CALLED)
    line = interp1d(*zip(*curve.path, strict=True))

    assert [curve.speed_at_kt(t) for t in (83.0, 84.2, 88.1, 93.7, 98.0)] == pytest.approx(
        [float(line(t)) for t in (83.0, 84.2, 88.1, 93.7, 98.0)]
    )
    assert curve.speed_at_kt(82.9) is None and curve.speed_at_kt(98.1) is None


def test_time_and_speed_are_inverse_on_a_falling_approach():
    curve = ApproachCurve(fitted=FITTED, called=CALLED)

    for ias_kt in (50.3, 54.0, 60.2, 64.9):
        assert curve.speed_at_kt(curve.time_at_s(ias_kt)) == pytest.approx(ias_kt)


def test_a_wandering_approach_is_at_a_speed_when_it_last_slowed_through_it():
    curve = ApproachCurve(fitted=((0.0, 54.0), (2.0, 50.0), (3.0, 53.0), (6.0, 47.0)))

    assert curve.time_at_s(52.0) == pytest.approx(3.5)


def test_a_result_without_a_curve_gives_the_line_of_its_fit_from_1_3_vs():
    result = StallSpeed(
        run="r",
        run_number=1,
        flight="f",
        configuration="a",
        point="A1",
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        vs_ias_kt=50.0,
        event_flight_s=100.0,
        fit=(100_000_000_000, 50.0, -1.0),
    )

    assert curve_of(result).time_at_s(60.0) == pytest.approx(90.0)
    assert curve_of(result).path[0] == pytest.approx((85.0, 65.0))


def test_a_straight_approach():
    assert straight(0.0, 10.0, 50.0, -1.5).speed_at_kt(4.0) == pytest.approx(59.0)


def test_nothing_flown_has_no_time():
    assert ApproachCurve().time_at_s(50.0) is None
    assert ApproachCurve(called=((1.0, 50.0),)).time_at_s(50.0) is None
