"""Load factor and the stall speed that goes with it."""

import math

import pytest

from logger_app.reduce.standardise import cas_at_1_g_kt, turn_load_factor

# An FAA-style table reproduced at ja3.jsfiddle.net/parte/4582533 (secondary; 80 deg is printed 5.747,
# exact 5.759), and AOPA training tip, 2018-02-16: 80 deg, 5.76. bank deg, g, tolerance
PRINTED = [
    (10, 1.015, 0.002),
    (30, 1.154, 0.002),
    (45, 1.414, 0.002),
    (60, 2.0, 0.002),
    (70, 2.923, 0.02),
    (80, 5.747, 0.02),
    (80, 5.76, 0.005),
]
# n = 1/cos(bank) and sqrt(n), worked out apart from this program: bank deg, g, factor on Vs.
FACTORS = [
    (15, 1.0353, 1.0175),
    (20, 1.0642, 1.0316),
    (30, 1.1547, 1.0746),
    (40, 1.3054, 1.1425),
    (45, 1.4142, 1.1892),
    (50, 1.5557, 1.2473),
    (60, 2.0, 1.4142),
]


@pytest.mark.parametrize("bank_deg, load_factor, tolerance", PRINTED)
def test_level_turn_load_factor_as_printed(bank_deg, load_factor, tolerance):
    assert turn_load_factor(bank_deg) == pytest.approx(load_factor, abs=tolerance)
    assert turn_load_factor(-bank_deg) == pytest.approx(load_factor, abs=tolerance)


@pytest.mark.parametrize("bank_deg, load_factor, factor", FACTORS)
def test_factor_on_stall_speed(bank_deg, load_factor, factor):
    assert turn_load_factor(bank_deg) == pytest.approx(load_factor, abs=1e-4)
    assert 1 / cas_at_1_g_kt(1.0, turn_load_factor(bank_deg)) == pytest.approx(factor, abs=1e-4)


# FAA Flight Training Handbook (AC 61-21A) at avstop.com, "Load factors and stalling speeds":
# 50 kt stalls at 100 kt under 4 g and at 150 kt under 9 g.
@pytest.mark.parametrize("accelerated_kt, load_factor", [(100, 4), (150, 9)])
def test_accelerated_stall_speeds_of_a_50_kt_aircraft(accelerated_kt, load_factor):
    assert cas_at_1_g_kt(accelerated_kt, load_factor) == pytest.approx(50, abs=1e-9)


def test_load_factor_at_1_7_times_the_stall_speed():
    # Same text: 60 kt stall, 1.7 x 60 = 102 kt -> 2.89 g.
    assert cas_at_1_g_kt(102, 2.89) == pytest.approx(60, abs=0.01)


def test_bank_that_doubles_the_stall_speed():
    # AC 61-23C p. 1-20 text at avstop.com/AC/1-20.html: 45 -> 90 kt at "just over 75 deg"; acos(1/4) = 75.52.
    assert cas_at_1_g_kt(90, turn_load_factor(75.52)) == pytest.approx(45, abs=0.05)
    assert cas_at_1_g_kt(90, turn_load_factor(75.0)) > 45


def test_measured_load_factor_below_one_raises_the_stall_speed():
    # 14 CFR 25.103(a): VSR >= VCLMAX / sqrt(nzw). 48.82 kt at nzw 0.9587 is 49.86 kt.
    assert cas_at_1_g_kt(48.82, 0.9587) == pytest.approx(49.86, abs=0.01)


def test_load_factor_of_a_turn_against_its_rate():
    # n = sqrt((omega V / g)^2 + 1), SFTE Reference Handbook 2013 ch. 12: an independent road to 1/cos.
    bank, speed = math.radians(35), 30.0
    omega = 9.80665 * math.tan(bank) / speed

    assert turn_load_factor(35) == pytest.approx(math.sqrt((omega * speed / 9.80665) ** 2 + 1), rel=1e-12)
