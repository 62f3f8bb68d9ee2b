"""A clock that is set in flight moves no sound; a machine that sleeps does.

The block times that PortAudio 19.6 gives on Linux are the wall clock's (``PaUtil_GetTime`` calls
``clock_gettime(CLOCK_REALTIME)``), so that a tablet whose clock was set by an hour in flight had an hour
of lost sound in its record, and everything after it an hour late.
"""

import pytest

from logger_app.fly.capture.mic import BLOCK_SAMPLES, RATE_HZ, SampleClock

BLOCK_S = BLOCK_SAMPLES / RATE_HZ


def _missing(blocks):
    """What a clock says of (ADC time, when it came, overflow) in turn."""
    clock = SampleClock()
    return [clock.missing(adc_s, BLOCK_SAMPLES, overflow, came_s) for adc_s, came_s, overflow in blocks]


def _steps(count, adc0_s=1000.0, came0_s=5.0):
    return [(adc0_s + k * BLOCK_S, came0_s + (k + 1) * BLOCK_S + 0.01 * (k % 3), False) for k in range(count)]


@pytest.mark.parametrize("by_s", [0.5, 24.9, 3600.0, 86_400.0, -1.0, -3600.0])
def test_a_wall_clock_that_is_set_is_no_lost_sound(by_s):
    blocks = _steps(60)
    later = [(adc_s + by_s, came_s, overflow) for adc_s, came_s, overflow in blocks[30:]]

    assert sum(_missing(blocks[:30] + later)) == 0


@pytest.mark.parametrize("hole_s", [0.5, 3.0, 700.0])
def test_lost_sound_is_counted_as_before_also_when_the_clock_is_set_in_the_hole(hole_s):
    blocks = _steps(30)
    for by_s in (0.0, 3600.0):
        later = [(adc_s + hole_s + by_s, came_s + hole_s, False) for adc_s, came_s, _ in _steps(60)[30:]]
        told_s = sum(_missing(blocks + later)) / RATE_HZ

        assert told_s == pytest.approx(hole_s, abs=0.03)


def test_a_burst_after_a_stall_with_an_overrun_is_a_hole_of_the_overrun():
    # The machine stands still for 3 s; the driver held back 2 s and lost 1 s, then all comes at once.
    held = [(1001.5 + k * BLOCK_S, 9.5 + 0.001 * k, False) for k in range(40)]
    after = [(1004.5 + k * BLOCK_S, 9.55 + k * BLOCK_S, k == 0) for k in range(20)]

    assert sum(_missing(_steps(30) + held + after)) == pytest.approx(RATE_HZ, abs=0.02 * RATE_HZ)


@pytest.mark.parametrize("adc_sleeps", [True, False])
def test_a_machine_that_slept_has_a_hole_as_long_as_it_slept(adc_sleeps):
    later = [(adc_s + (0 if adc_sleeps else 900.0), came_s + 900.0, False) for adc_s, came_s, _ in _steps(60)[30:]]

    assert sum(_missing(_steps(30) + later)) / RATE_HZ == pytest.approx(900.0, abs=0.1)


def test_a_clock_that_is_put_right_slowly_hides_no_hole_and_makes_none():
    slewed = [(1000 + k * BLOCK_S * (1 + 500e-6), 5 + (k + 1) * BLOCK_S, False) for k in range(20_000)]
    last_adc_s, last_came_s, _ = slewed[-1]

    assert sum(_missing(slewed)) == 0
    assert sum(_missing([*slewed, (last_adc_s + BLOCK_S + 2, last_came_s + BLOCK_S + 2, False)])) == pytest.approx(
        2 * RATE_HZ, rel=0.01
    )


def test_a_first_block_without_a_time_makes_no_hole_of_the_next():
    assert _missing([(0.0, 5.0, False), (1000.0, 5.05, False), (1000.05, 5.1, False)]) == [0, 0, 0]
