"""Sentences: every verdict, to the letter."""

import pytest

from logger_app.records.results import Comparison
from logger_app.reduce.words import sentence, summary


def compared(verdict="lower", **over):
    base = {
        "point": "A1",
        "reference": "base",
        "changed": "cuffs",
        "n_reference": 5,
        "n_changed": 4,
        "verdict": verdict,
        "words": verdict,
    }
    base |= {"difference_kt": -2.4, "low_kt": -3.2, "high_kt": -1.6, "p": 0.001, "smallest_kt": 1.1}
    return Comparison(**base | over)


@pytest.mark.parametrize(
    "comparison, expected",
    [
        (compared(), "lower by 2.4 kt, 1.6 to 3.2 (95 %), at P"),
        (compared("higher", difference_kt=2.4, low_kt=1.6, high_kt=3.2), "higher by 2.4 kt, 1.6 to 3.2 (95 %), at P"),
        (
            compared(basis="cas", at_reference_weight=False),
            "lower by 2.4 kt, 1.6 to 3.2 (95 %), at P (CAS at the weights flown)",
        ),
        (
            compared(basis="ias", at_reference_weight=False),
            "lower by 2.4 kt, 1.6 to 3.2 (95 %), at P (IAS at the weights flown)",
        ),
        (
            compared("not shown", p=0.2, high_kt=0.4),
            "not shown at P: -2.4 kt, -3.2 to +0.4 (95 %); 1.1 kt would have shown",
        ),
        (compared(adjusted_for=5), "lower by 2.4 kt, 1.6 to 3.2 (95 %), at P; adjusted for 5 comparisons"),
        (
            compared(
                n_flights_reference=1,
                n_flights_changed=1,
                flights_difference_kt=-2.4,
                flights_low_kt=-2.9,
                flights_high_kt=-1.9,
                flights_verdict="lower",
            ),
            "lower by 2.4 kt, 1.6 to 3.2 (95 %), at P; between these two flights lower by 2.4 kt, 1.9 to 2.9 (95 %), "
            "whatever it came from",
        ),
        (
            compared("not shown", high_kt=0.9, no_worse_kt=1.0, no_worse=True),
            "not shown at P: -2.4 kt, -3.2 to +0.9 (95 %); 1.1 kt would have shown; no worse than 1 kt",
        ),
        (
            compared("not shown", low_kt=None, high_kt=None, p=None),
            "not shown at P: -2.4 kt from 5 and 4 run(s), no interval",
        ),
        (
            compared("not comparable", notes=("no run of cuffs counts here", "another")),
            "not comparable at P: no run of cuffs counts here",
        ),
    ],
)
def test_a_comparison_in_a_sentence(comparison, expected):
    assert sentence(comparison, "P") == expected


def test_what_was_shown_comes_first_in_the_order_of_the_points(make):
    made = [
        compared(v, words=w) for v, w in (("not comparable", "d"), ("higher", "a"), ("not shown", "c"), ("lower", "b"))
    ]

    assert summary(make.campaign(), made) == ("Cuffs against Plain: a; b; c; d.",)
    for order in (("higher", "lower"), ("lower", "higher")):
        made = [compared(v, words=v) for v in order]
        assert summary(make.campaign(), made) == (f"Cuffs against Plain: {order[0]}; {order[1]}.",)
    assert summary(make.campaign(), []) == ("Nothing to compare yet: no pair of configurations has runs that count.",)
