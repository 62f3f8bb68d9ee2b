"""Last digits said alone, in whole approaches: random ones, with calls dropped and misheard, against another reader.

The other reader enumerates every decade that each digit may have and takes the row of speeds that lies nearest to a
straight fall (least absolute distances from the line through any two calls); it shares nothing with the Markov model.
"""

import itertools
import random

import pytest

from logger_app.hear.sequence import SequenceReader, read_sequence
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall
from logger_app.units import s_to_ns

LOOK = {Flag.UNSURE, Flag.IMPLAUSIBLE, Flag.SOUNDS_LIKE, Flag.OUT_OF_RANGE, Flag.NO_DECADE}
ALIKE = {2: 3, 3: 2, 5: 9, 9: 5, 6: 2, 4: 5, 1: 9, 0: 8, 8: 0, 7: 1}


def call(k, at_s, value, posterior=0.97, rival=None):
    rivals = () if rival is None else (Alternative(kind=CallKind.AIRSPEED, name="ias", value=rival, posterior=0.15),)
    flags = (Flag.NO_DECADE,) if value <= 9 else ()
    begin = s_to_ns(at_s)
    return HeardCall(
        id=f"c{k:03d}", start_ns=begin, end_ns=begin + 10**8, kind=CallKind.AIRSPEED, name="ias", value=float(value),
        unit="kt", posterior=posterior, flags=flags, alternatives=rivals,
    )  # fmt: skip


def approach(rng, wrong=0.0, dropped=0.0):
    """Calls of one approach and what each really was; the decade is said at first, and now and then."""
    speed, rate, at_s, wander = rng.uniform(56, 72), rng.uniform(0.6, 1.6), 5.0, 0.0
    calls, truth = [], {}
    for k in range(rng.randint(9, 13)):
        wander = 0.7 * wander + rng.gauss(0, 0.3)
        value = round(speed + wander)
        said = value if not calls or rng.random() < 0.35 else value % 10
        if rng.random() >= dropped or not calls:
            heard, posterior, rival = said, 0.97, None
            if rng.random() < wrong and calls:
                heard, posterior, rival = said - said % 10 + ALIKE[said % 10], 0.8, float(said)
            calls.append(call(k, at_s, heard, posterior, rival))
            truth[calls[-1].id] = float(value)
        step_s = rng.uniform(1.0, 1.8)
        speed, at_s = speed - rate * step_s, at_s + step_s
    return calls, truth


def enumerated(calls, low=30, high=99):
    """Every decade tried for every digit; a beam would do, but so few can all be tried in turn, five at a time."""
    kept = [[]]
    for one in calls:
        ways = [one.value] if one.value > 9 else [v for v in range(low, high + 1) if v % 10 == one.value]
        kept = [[*row, way] for row in kept for way in ways if not row or abs(row[-1] - way) <= 12]
        kept = sorted(kept, key=lambda row: misfit(calls, row))[:60]
    return kept[0]


def misfit(calls, row):
    """Sum of distances from the best straight line through two of the calls [kt]."""
    points = list(zip((c.start_s for c in calls), row, strict=False))
    if len(points) < 2:
        return 0.0
    lines = []
    for (a, v), (b, w) in itertools.combinations(points, 2):
        slope = min(0.0, (w - v) / (b - a))
        lines.append(sum(min(6.0, abs(y - v - slope * (x - a))) for x, y in points))
    return min(lines)


def counted(wrong, dropped, approaches=8, live=False):
    rng, right, flagged, silent = random.Random(11), 0, 0, 0
    for _ in range(approaches):
        calls, truth = approach(rng, wrong, dropped)
        reader = SequenceReader(low=30, high=120)
        read = [reader.read(one) for one in calls] if live else read_sequence(calls, low=30, high=120)
        for one in read:
            if one.value == truth[one.id]:
                right += 1
            elif LOOK & set(one.flags):
                flagged += 1
            else:
                silent += 1
    return right, flagged, silent


@pytest.mark.parametrize(
    ("wrong", "dropped", "live", "min_right", "max_silent"),
    [
        (0.0, 0.0, False, 0.995, 0.0),
        (0.0, 0.15, False, 0.99, 0.005),
        (0.05, 0.1, False, 0.93, 0.03),
        (0.0, 0.1, True, 0.99, 0.005),
    ],
)
def test_last_digits_of_random_approaches_are_completed(wrong, dropped, live, min_right, max_silent):
    right, flagged, silent = counted(wrong, dropped, live=live)
    n = right + flagged + silent

    assert right >= min_right * n, (right, flagged, silent)
    assert silent <= max_silent * n, (right, flagged, silent)


def test_the_reader_and_one_that_tries_every_decade_agree():
    rng, same, n, ours, theirs = random.Random(23), 0, 0, 0, 0
    for _ in range(5):
        calls, truth = approach(rng, dropped=0.1)
        rows = zip(read_sequence(calls, low=30, high=120), enumerated(calls), strict=True)
        for one, other in rows:
            n, same = n + 1, same + (one.value == other)
            ours, theirs = ours + (one.value == truth[one.id]), theirs + (other == truth[one.id])

    assert same >= 0.97 * n, (same, n, ours, theirs)
    assert ours >= theirs


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ((53, 2, 1, 0), (53, 52, 51, 50)),
        ((51, 0, 9), (51, 50, 49)),
        ((63, 2, 1, 0, 9, 8), (63, 62, 61, 60, 59, 58)),
        ((50, 0), (50, 50)),  # common practice, no source: "zero" is the decade itself
        ((5, 4, 53, 2), (55, 54, 53, 52)),
        ((68, 4, 0, 6, 2), (68, 64, 60, 56, 52)),
    ],
)
def test_digits_go_on_with_the_approach_also_across_a_decade(said, meant):
    calls = [call(k, 5 + 1.3 * k, value) for k, value in enumerate(said)]

    assert tuple(one.value for one in read_sequence(calls, low=30, high=120)) == meant
