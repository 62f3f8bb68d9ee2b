"""The robust fit: what it must shrug off, and what it must refuse."""

import math

import numpy as np
import pytest

from logger_app.domain.approach import DRIFT_RATIOS, Asked, _consensus, fit_approach, fit_approaches

RESOLUTION = 0.2887


def straight(vs=45.0, rate=1.0, every=1.1, length=18.0, event=20.0):
    back = np.arange(0.5, length, every)[::-1]
    return event - back, vs + rate * back, event


def test_an_exact_straight_approach_is_returned_exactly():
    times, speeds, event = straight()

    fit = fit_approach(times, speeds, event, RESOLUTION)

    assert fit.ias_kt == pytest.approx(45.0, abs=1e-6)
    assert fit.entry_rate_kt_per_s == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("rate", [0.5, 1.0, 1.5, 3.0])
@pytest.mark.parametrize("which", [-1, -2, -4])
@pytest.mark.parametrize("error", [-10, -7, 8, 10, 20])
def test_one_wild_call_anywhere_moves_nothing_much(rate, which, error):
    times, speeds, event = straight(rate=rate, every=0.9)
    speeds = np.round(speeds)
    clean = fit_approach(times, speeds, event, RESOLUTION)
    speeds[which] += error

    fit = fit_approach(times, speeds, event, RESOLUTION)

    assert fit.weight[which] < 0.05
    assert abs(fit.ias_kt - clean.ias_kt) < max(0.6, 0.7 * rate)


def test_a_common_delay_of_calls_and_event_changes_nothing():
    times, speeds, event = straight()

    a, b = fit_approach(times, speeds, event, RESOLUTION), fit_approach(times + 0.7, speeds, event + 0.7, RESOLUTION)

    assert a.ias_kt == pytest.approx(b.ias_kt, abs=1e-9)
    assert a.entry_rate_kt_per_s == pytest.approx(b.entry_rate_kt_per_s, abs=1e-9)


def test_level_flight_before_the_approach_is_not_part_of_it():
    times, speeds, event = straight(length=15)
    level = np.arange(times[0] - 25, times[0], 2.0)

    fit = fit_approach(np.append(level, times), np.append(np.full(len(level), speeds[0]), speeds), event, RESOLUTION)

    assert fit.ias_kt == pytest.approx(45.0, abs=0.05)
    assert not any(fit.weight[: len(level)])


def test_wandering_near_the_stall_does_not_run_away():
    times, speeds, event = straight(every=1.0)
    speeds = np.round(speeds)
    speeds[-6:] = [50, 49, 50, 48, 49, 47]

    fit = fit_approach(times, speeds, event, RESOLUTION)

    assert 45.0 < fit.ias_kt < 48.5
    assert fit.ias_u_kt > 0.3


def test_a_call_that_the_recogniser_doubted_counts_for_less():
    times, speeds, event = straight()
    speeds[-1] += 0.7
    full = fit_approach(times, speeds, event, RESOLUTION)

    doubted = fit_approach(times, speeds, event, RESOLUTION, np.append(np.ones(len(times) - 1), 0.2))

    assert abs(doubted.ias_kt - 45) < abs(full.ias_kt - 45)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_fewer_than_three_calls_are_no_fit(n):
    times, speeds, event = straight()

    assert fit_approach(times[:n], speeds[:n], event, RESOLUTION) is None


def test_equal_calls_give_a_rate_of_nought():
    fit = fit_approach(np.arange(10.0), np.full(10, 60.0), 10.5, RESOLUTION)

    assert fit.entry_rate_kt_per_s == pytest.approx(0, abs=1e-6)
    assert fit.ias_kt == pytest.approx(60, abs=1e-6)


def test_the_curve_is_read_inside_the_window_only():
    times, speeds, event = straight()
    fit = fit_approach(times, speeds, event, RESOLUTION)

    assert fit.at_kt(event - 2.0) == pytest.approx(47.0, abs=0.01)
    assert math.isnan(fit.at_kt(event + 1)) and math.isnan(fit.at_kt(fit.from_s - 1))


def test_uncertainty_covers_the_error_of_rounded_jittered_calls():
    rng, scores = np.random.default_rng(5), []
    for _ in range(150):
        rate, vs = rng.uniform(0.6, 1.5), rng.uniform(40, 55)
        back = np.sort(rng.uniform(0.3, 16, 12))[::-1]
        said = np.round(vs + rate * back)
        fit = fit_approach(20 - back + rng.normal(0, 0.12, 12), said, 20 + rng.normal(0, 0.12), RESOLUTION)
        scores.append((fit.ias_kt - vs) / fit.ias_u_kt)

    assert np.mean(np.abs(scores) < 2) > 0.93
    assert 0.6 < np.sqrt(np.mean(np.square(scores))) < 1.25


def test_three_calls_are_a_fit():
    times, speeds, event = straight()

    fit = fit_approach(times[-3:], speeds[-3:], event, RESOLUTION)

    assert (fit.used, fit.ias_kt, fit.entry_rate_kt_per_s) == (
        3,
        pytest.approx(45.0, abs=0.01),
        pytest.approx(1.0, abs=0.01),
    )


def test_the_curve_goes_from_the_first_call_used_to_the_event():
    times, speeds, event = straight()
    fit = fit_approach(times, speeds, event, RESOLUTION)
    first = next(t for t, w in zip(times, fit.weight) if w > 0)

    assert fit.from_s == fit.curve[0][0] == pytest.approx(first)
    assert (fit.curve[-1][0], fit.curve[-1][1]) == (event, pytest.approx(fit.ias_kt))
    assert all(0 < b[0] - a[0] < 0.2501 for a, b in zip(fit.curve, fit.curve[1:]))
    assert fit.at_kt(fit.from_s) == pytest.approx(45 + event - first, abs=0.01)
    assert fit.at_kt(fit.event_s) == pytest.approx(45.0, abs=0.01)


def test_calls_outside_the_window_have_no_residual_and_the_others_theirs():
    times, speeds, event = straight(length=40)
    speeds[-3] += 12
    fit = fit_approach(times, speeds, event, RESOLUTION)

    assert [r is None for r in fit.residual_kt] == [
        event - t > 9.25 for t in times.tolist()
    ]  # a fifth of 45 kt at 1 kt/s, and a step of the grid
    assert fit.residual_kt[-3] == pytest.approx(12, abs=0.2)
    assert fit.weight[-3] < 0.05 < min(w for k, w in enumerate(fit.weight) if w > 0 and k != len(times) - 3)


@pytest.mark.parametrize("rate", [0.5, 1.7, 4.0])
def test_the_consensus_of_a_line_with_two_wild_calls_is_the_line(rate):
    times, speeds, event = straight(rate=rate, length=14)
    speeds[2] += 9
    speeds[-2] -= 14

    level, slope = _consensus(event - times, speeds, np.ones(len(times)), RESOLUTION)

    assert (level, slope) == (pytest.approx(45.0), pytest.approx(rate))


def test_between_two_calls_and_a_wild_one_the_cards_rate_decides():
    # 50 and 47 lie on 1 kt/s; 60, half a second before the event, on a rise of 2.2 kt/s with the first.
    level, rate = _consensus(np.array([5.0, 2.0, 0.5]), np.array([50.0, 47.0, 60.0]), np.ones(3), RESOLUTION)

    assert (level, rate) == (pytest.approx(45.0), pytest.approx(1.0))


def test_a_call_that_is_trusted_more_wins():
    back, speeds = np.array([6.0, 4.0, 2.0, 1.0]), np.array([51.0, 49.0, 55.0, 54.0])

    assert _consensus(back, speeds, np.array([1.0, 1.0, 0.1, 0.1]), RESOLUTION)[0] == pytest.approx(45.0)
    assert _consensus(back, speeds, np.array([0.1, 0.1, 1.0, 1.0]), RESOLUTION)[0] == pytest.approx(53.0)


def test_speeds_that_rise_or_dive_faster_than_any_approach_are_none():
    back = np.array([3.0, 2.0, 1.0])

    assert _consensus(back, np.array([50.0, 54.0, 58.0]), np.ones(3), RESOLUTION) is None
    assert _consensus(back, np.array([80.0, 70.0, 60.0]), np.ones(3), RESOLUTION) is None
    assert _consensus(np.array([0.3, 0.2, 0.1]), np.full(3, 50.0), np.ones(3), RESOLUTION) is None  # closer than 0.4 s


def test_one_calls_uncertainty_is_the_expected_one_where_calls_lie_on_a_line():
    # Graduation and lag jitter in quadrature, pooled with no scatter seen: 4 degrees of freedom of the
    # expected among those of the calls (GUM: pooled estimate).
    times, speeds, event = straight()
    fit = fit_approach(times, speeds, event, RESOLUTION)
    free = fit.used - 2
    expected = math.hypot(RESOLUTION, 0.15)

    assert expected * math.sqrt(4 / (4 + free)) * 0.9 < fit.scatter_kt < expected
    assert fit.leverage == pytest.approx((fit.ias_u_kt / fit.scatter_kt) ** 2)


def test_a_fast_entry_does_not_fall_for_longer_than_the_window():
    times, speeds, event = straight(rate=0.2, length=60)
    fit = fit_approach(times, speeds, event, RESOLUTION)

    assert event - fit.from_s <= 25.3  # the longest window, 25 s, and a step of the grid


def test_fitted_together_each_is_what_it_is_alone():
    """To the last digit: whoever is fitted beside it, and whenever the others stand still."""
    rng = np.random.default_rng(3)
    asked = []
    for k in range(60):
        times, speeds, event = straight(
            rate=rng.uniform(0.4, 3.0), every=rng.uniform(0.6, 2.5), length=rng.uniform(3, 30)
        )
        speeds = np.round(speeds + rng.normal(0, 0.6, len(speeds)))
        speeds[rng.integers(len(speeds))] += (0.0, 10.0, -8.0)[k % 3]
        trust = rng.uniform(0.2, 1.0, len(speeds)) if k % 2 else None
        asked.append(Asked(times, speeds, event, RESOLUTION, trust, (1.0, 3.0)[k % 2]))
    asked.append(Asked(np.arange(10.0), 80.0 - 9.0 * np.arange(10.0), 10.5, RESOLUTION))  # falls like no approach

    alone = [
        fit_approach(one.flight_s, one.ias_kt, one.event_s, one.resolution_u_kt, one.trust, one.drift_ratio)
        for one in asked
    ]

    assert fit_approaches(asked) == alone
    assert fit_approaches(asked[::-1]) == alone[::-1]
    assert None in alone and len({fit.used for fit in alone if fit}) > 5


@pytest.mark.parametrize("rate", [0.6, 0.8, 1.0])
def test_a_speed_read_at_the_event_holds_where_a_slow_rate_eased_before_it(rate):
    # Integrated backwards: over the last 5 kt the rate falls to 40 %. Whole knots every 1.2 s, the event's speed exact.
    errors = []
    for stall in (45.0, 46.2, 47.4, 48.6):
        speeds = [stall]
        while speeds[-1] < stall + 15:
            speeds.append(speeds[-1] + 0.05 * rate * (0.4 + 0.6 * min((speeds[-1] - stall) / 5, 1)))
        speeds = np.array(speeds[::-1])
        times, said = 0.05 * np.arange(len(speeds)), np.arange(0, len(speeds) - 12, 24)
        flown = np.append(times[said], times[-1]), np.append(np.round(speeds[said]), stall), times[-1]
        errors.append(fit_approach(*flown, RESOLUTION, drift_ratio=DRIFT_RATIOS[-1]).ias_kt - stall)

    assert abs(np.mean(errors)) < 0.05
