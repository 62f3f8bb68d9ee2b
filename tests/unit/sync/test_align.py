import math

import numpy as np
import pytest
from scipy.stats import combine_pvalues

from logger_app.sync import align as align_module
from logger_app.sync.align import Prior, align
from logger_app.sync.fit import (
    CHANCE_SPREAD_S,
    TOLERANCE_S,
    consensus,
    lag_curve,
    log10_chance,
    log10_chance_clear,
    log10_chance_of_two,
    log10_chance_there,
    peak_of,
    stack,
)
from logger_app.sync.onsets import onset_envelope

RATE = 16_000


def errors_ms(found, offset_s, drift_ppm, times_s):
    got = found.offset_s + found.drift_ppm * 1e-6 * times_s
    return 1000 * np.abs(got - offset_s - drift_ppm * 1e-6 * times_s)


@pytest.mark.parametrize("offset_s, drift_ppm, snr_db", [(31.4, 60, 10), (-45.25, -100, 0), (12.007, 100, -5)])
def test_two_microphones_are_put_on_one_clock(microphones, offset_s, drift_ppm, snr_db):
    flight, camera = microphones(150, offset_s, drift_ppm, snr_db, 7)
    found = align(flight, camera)

    assert found.accepted, found.why
    assert errors_ms(found, offset_s, drift_ppm, np.array([0.0, 75.0, 150.0])).max() < 5
    assert abs(found.drift_ppm - drift_ppm) < 5
    assert found.u_s < 0.02


@pytest.mark.parametrize("seed", range(4))
def test_another_flights_camera_is_refused(microphones, seed):
    flight, camera = microphones(90, 5.0, 20, 10, 20 + seed, common=False)
    found = align(flight, camera)

    assert not found.accepted and "no common sound" in found.why
    assert found.offset_s is None


def test_music_of_one_loop_is_refused(microphones):
    flight, _ = microphones(120, 0, 0, 10, 3)
    t = np.arange(120 * RATE) / RATE
    beat = (np.sin(2 * np.pi * 440 * t) + np.sin(2 * np.pi * 660 * t)) * (np.sin(2 * np.pi * 2 * t) > 0)
    found = align(flight, (beat * 8000).astype(np.int16))

    assert not found.accepted


@pytest.mark.parametrize("level", [0, 1])
def test_silence_is_refused_as_silence(microphones, level):
    flight, _ = microphones(60, 0, 0, 10, 3)
    quiet = (np.arange(60 * RATE) % 2 * level).astype(np.int16)

    assert "silent" in align(flight, quiet).why
    assert "flight's sound is silent" in align(quiet, flight).why


def test_too_short_says_how_long_it_must_be(microphones):
    flight, camera = microphones(60, 0, 0, 10, 3)

    assert "at least 10 s" in align(flight, camera[: 5 * RATE]).why


def test_loud_sound_is_not_taken_for_silence(microphones):
    flight, camera = microphones(90, 4.0, 0, 20, 5)
    loud = np.clip(camera.astype(np.int32) * 12, -32768, 32767).astype(np.int16)

    assert align(flight, loud).accepted


def test_a_camera_clock_that_jumps_is_kept_to_one_side(microphones):
    flight, camera = microphones(200, 10.0, 0, 15, 9)
    jumped = np.concatenate((camera[: 130 * RATE], camera[130 * RATE + RATE // 4 :]))
    found = align(flight, jumped)

    assert found.accepted and "jumps" in found.why
    assert found.from_s == 0 and 118 < found.to_s < 145
    assert errors_ms(found, 10.0, 0, np.array([0.0, 118.0])).max() < 5


def test_a_chapter_is_found_where_its_neighbours_put_it(microphones):
    flight, camera = microphones(120, 7.0, 40, 10, 11)
    part = camera[60 * RATE : 100 * RATE]
    right = align(flight, part, prior=Prior(67.9, 1.5, 40e-6))
    wrong = align(flight, part, prior=Prior(30.0, 1.5, 40e-6))

    assert right.accepted and abs(right.offset_s - (7.0 + 60 * (1 + 40e-6))) < 0.005
    assert not wrong.accepted


@pytest.mark.parametrize(
    "windows, envelope, fewest, placed",
    [(-2.6, -1.5, 4, True), (-2.6, 0.0, 4, False), (-1.4, -9.0, 4, False), (-2.6, -1.5, 99, False)],
)
def test_a_faint_chapter_beside_a_placed_one_is_taken_where_its_envelope_agrees_too(
    microphones, monkeypatch, windows, envelope, fewest, placed
):
    """The product of the two by Fisher's rule must be under 10**-3, and the windows alone worth 10**-1.5."""
    flight, camera = microphones(90, 7.0, 40, 10, 11)
    judged = align_module._judged
    monkeypatch.setattr(align_module, "_judged", lambda *held, **how: (judged(*held, **how)[0], windows))
    monkeypatch.setattr(align_module, "log10_chance_there", lambda *held: envelope)
    monkeypatch.setattr(align_module, "MIN_WINDOWS", fewest)
    found = align(flight, camera[20 * RATE : 60 * RATE], prior=Prior(27.9, 1.5, 40e-6))

    assert found.accepted == placed
    assert not placed or abs(found.offset_s - (7.0 + 20 * (1 + 40e-6))) < 0.005


def test_steady_noise_has_no_onsets_that_agree(cockpit_noise):
    found = align(cockpit_noise(60, 1), cockpit_noise(60, 2))

    assert not found.accepted


def test_the_lag_of_a_window_is_exact_below_a_sample():
    rng = np.random.default_rng(2)
    fine = np.convolve(rng.standard_normal(4 * 40_000), np.hanning(48), "same")  # 64 kHz, band limited
    flight, camera = fine[1000:-1000:4], fine[1000 + 4 * 50 + 1 : -1000 + 4 * 50 + 1 : 4]
    lag_s, clear = peak_of(lag_curve(flight.astype(np.float32)[:32000], camera.astype(np.float32)[:32000], 0.1))

    assert lag_s == pytest.approx((50 + 0.25) / RATE, abs=0.1 / RATE)
    assert clear > 1.5


def test_consensus_ignores_what_disagrees():
    rng = np.random.default_rng(4)
    t = np.arange(0, 600, 10.0)
    lag = 3.0 + 50e-6 * t + rng.normal(0, 1e-4, len(t))
    lag[::3] += rng.uniform(-0.3, 0.3, len(lag[::3]))
    line = consensus(t, lag)

    assert line.slope == pytest.approx(50e-6, abs=2e-6)
    assert line.lag_s(300.0) == pytest.approx(3.0 + 50e-6 * 300, abs=2e-4)


def test_agreement_by_chance_is_rare_and_said_so():
    """A million lines through chance windows: the bound must not promise more than happens."""
    rng = np.random.default_rng(5)
    most = []
    for _ in range(300):
        line = consensus(np.sort(rng.uniform(0, 600, 24)), rng.uniform(-0.1, 0.1, 24))
        most.append(int(line.inliers.sum()) if line else 0)
    for agreeing in (4, 5):
        share = np.mean(np.array(most) >= agreeing)
        assert share <= max(10 ** log10_chance(agreeing, 24), 0.01)


def test_the_envelope_does_not_depend_on_block_lengths(microphones):
    flight, _ = microphones(30, 0, 0, 10, 3)
    whole = onset_envelope([flight])
    parts = onset_envelope(np.split(flight, [1000, 1001, 90_000, 200_123]))

    assert len(whole) in (len(flight) // 160, len(flight) // 160 - 1)
    np.testing.assert_allclose(whole, parts, atol=1e-4)


@pytest.mark.parametrize("seed", [2, 3])
def test_a_few_clear_sounds_are_enough(microphones, seed):
    """Forty seconds with four to seven sounds in both: refused while only their number counted."""
    flight, camera = microphones(40, 3.0, 70, 3, seed)
    found = align(flight, camera)

    assert found.accepted, found.why
    assert errors_ms(found, 3.0, 70, np.array([0.0, 37.0])).max() < 5
    assert abs(found.drift_ppm - 70) < 5, "also less than a minute shows a drift, where the sounds are clear"


def test_three_sounds_are_too_few_whatever_the_odds(microphones):
    flight, camera = microphones(40, 3.0, 70, 3, 1)

    assert not align(flight, camera).accepted


def test_a_sound_that_comes_twice_cannot_tell_where(microphones):
    flight, camera = microphones(50, 0, 0, 15, 3)
    between, _ = microphones(60, 0, 0, 15, 77)
    found = align(np.concatenate((flight, between, flight)), camera)

    assert not found.accepted and "more than one place" in found.why


def test_echoes_stack_where_no_window_has_a_peak_of_its_own():
    """Each window holds two peaks of one height and as many wrong ones; their sum does not."""
    rng = np.random.default_rng(6)
    times = np.arange(12) * 10.0
    curves = rng.standard_normal((12, 11_201)).astype(np.float32)
    for k, at_s in enumerate(times):
        right = 5600 + round((0.05 + 100e-6 * (at_s - 55)) * RATE)
        for there in (right, right + 60, *rng.integers(200, 11_000, 2)):
            curves[k, there] = 5.5
    lag_s, slope, chance = stack(times, curves)

    assert min(abs(lag_s - 0.05), abs(lag_s - 0.05 - 60 / RATE)) < 0.001
    assert slope == pytest.approx(100e-6, abs=15e-6) and chance < -6


def test_noise_does_not_stack():
    rng = np.random.default_rng(7)
    chances = [
        stack(np.sort(rng.uniform(0, 300, 15)), rng.standard_normal((15, 3201)).astype(np.float32))[2]
        for _ in range(60)
    ]

    assert min(chances) > -2.0


def test_clear_windows_by_chance_are_rarer_than_said():
    """Peaks as clear, and spread as evenly, as they were measured to be at wrong lags: none of 3,000 may pass."""
    rng = np.random.default_rng(8)
    worst = 0.0
    for _ in range(3000):
        n = int(rng.integers(5, 40))
        draw = rng.random(n)
        clear = np.where(draw < 0.003, 1.6, np.where(draw < 0.04, 1.3, np.where(draw < 0.2, 1.15, 1.0)))
        lags = rng.uniform(-0.35, 0.35, n)
        line = consensus(np.sort(rng.uniform(0, 300, n))[clear > 1.12], lags[clear > 1.12])
        if line is not None:
            worst = min(worst, log10_chance_clear(clear[clear > 1.12][line.inliers], n))
    assert worst > -3.5


def test_a_silent_window_has_no_curve():
    assert not lag_curve(np.zeros(3200, np.float32), np.ones(3200, np.float32), 0.05).any()


@pytest.mark.parametrize(("hits", "windows"), [(2, 2), (3, 8), (9, 10), (40, 60), (150, 150)])
def test_the_chance_of_windows_that_agree_is_the_binomial_tail_of_scipy(hits, windows):
    from scipy.stats import binom

    tail = binom.logsf(hits - 2, windows - 1, 0.015) / math.log(10)

    found = log10_chance(hits, windows, free=1, spread_s=TOLERANCE_S / 0.015)
    assert found == pytest.approx(min(0.0, tail + math.log10(windows)))


@pytest.mark.parametrize("one, other", [(-1.9, -2.9), (-2.6, -1.7), (-1.0, 0.0), (0.0, 0.0), (-9.0, -0.3)])
def test_two_chances_are_put_together_as_fisher_does(one, other):
    """Against scipy's `combine_pvalues`, method of Fisher (Statistical Methods for Research Workers, 4th ed. 1932, section 21.1)."""
    reference = combine_pvalues([10**one, 10**other], method="fisher").pvalue

    assert log10_chance_of_two(one, other) == pytest.approx(np.log10(reference), abs=1e-9)


def test_envelopes_without_common_sound_agree_by_chance_as_often_as_is_said():
    rng = np.random.default_rng(4)
    flight = np.convolve(rng.standard_normal(60_000), np.ones(20), "same").astype(np.float32)
    told = []
    for _ in range(200):
        camera = np.convolve(rng.standard_normal(3000), np.ones(20), "same").astype(np.float32)
        lag_s = rng.uniform(0, 560)
        at = np.arange(round((lag_s - 1.5) * 100), round((lag_s + 1.5) * 100) + 1)
        best = at[np.argmax([camera @ flight[k : k + 3000] if 0 <= k <= 57_000 else -np.inf for k in at])]
        told.append(log10_chance_there(flight, camera, best / 100, 1.5))

    # Of 200 about 100, 20 and 2 are expected; the bounds are four standard deviations off (binomial).
    for log10, least, most in ((np.log10(0.5), 71, 129), (-1.0, 3, 37), (-2.0, 0, 8)):
        assert least <= sum(one <= log10 for one in told) <= most, log10
    assert log10_chance_there(flight, flight[20_000:23_000], 200.0, 1.5) < -2
    assert log10_chance_there(flight, flight[20_000:23_000], 900.0, 1.5) == 0.0, "beyond the flight nothing can be told"
    assert log10_chance_there(flight, np.zeros(3000, np.float32), 200.0, 1.5) == 0.0


def test_the_chance_of_a_long_perfect_match_is_a_number():
    """A camera fed from the intercom: 102 of 102 windows agreed, the chance was too small for a float, and sync broke off."""
    chance, clear = log10_chance(102, 102), log10_chance_clear(np.full(102, 9.0), 102)

    # All but the two that fix the line: C(102, 2) lines, each of the others within 1.5 ms by chance.
    assert chance == pytest.approx(math.log10(math.comb(102, 2)) + 100 * math.log10(TOLERANCE_S / CHANCE_SPREAD_S))
    assert math.isfinite(clear) and clear < log10_chance_clear(np.full(60, 9.0), 60)
