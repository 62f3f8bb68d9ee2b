"""Scores of everything legal in a span."""

import itertools

import numpy as np
import pytest

from logger_app.hear.net import OUTPUTS
from logger_app.hear.rescore import scores, word_frames

FIFTY_EIGHT = "F IH F T IY EY T"


def best_of(tree, found):
    return tree.meanings[found.ranked[0][0]]


def test_the_call_that_was_said_comes_first(tree, spoken):
    found = scores(tree, spoken(FIFTY_EIGHT))

    assert ("airspeed", "ias", 58.0, False) == best_of(tree, found)
    assert found.posteriors[0] > 0.9
    assert sum(found.posteriors) == pytest.approx(1.0)


def test_forward_probability_is_the_sum_over_all_paths(tree):
    """Independent check: every path through five frames written out and summed."""
    rng = np.random.default_rng(3)
    p = rng.dirichlet(np.ones(OUTPUTS), size=5)
    found = scores(tree, np.log(p), most=len(tree.meanings))
    ranked = dict(found.ranked)
    meaning = ("airspeed", "ias", 8.0, True)
    expected = 0.0
    for spelling in {s for s, u in zip(tree.spellings, tree.end_unit) if tree.units[u].meaning == meaning}:
        phones = tuple(phone for phone, _ in spelling)
        symbols = sorted({0, *phones})
        for path in itertools.product(symbols, repeat=5):
            collapsed = tuple(k for k, _ in itertools.groupby(path) if k)
            if collapsed == phones:
                expected += np.prod([p[t, k] for t, k in enumerate(path)])

    assert np.log(expected) == pytest.approx(ranked[tree.meanings.index(meaning)], abs=1e-6)


def test_ways_to_say_a_value_count_together(tree):
    values = [meaning for meaning in tree.meanings if meaning[:2] == ("airspeed", "ias") and not meaning[3]]

    assert len(values) == len(set(values))
    assert {value for _, _, value, _ in values} == set(map(float, range(20, 200)))


def test_nothing_legal_fits_into_one_frame(tree):
    found = scores(tree, np.log(np.full((1, OUTPUTS), 1 / OUTPUTS)))

    assert found is None or len(tree.spellings[found.spelling[0]]) <= 1


def test_words_are_found_where_they_were_said(tree, spoken):
    log_p = spoken(FIFTY_EIGHT)
    found = scores(tree, log_p)
    words = word_frames(tree.spellings[found.spelling[0]], log_p)

    assert 2 == len(words)
    (first, end_first), (second, end) = words
    assert 4 == first and end_first < second <= end
    assert 4 + 5 * 4 == second
