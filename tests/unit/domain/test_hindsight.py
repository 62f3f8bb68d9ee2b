"""Runs in hindsight: a call that was missed shows as the one break in an ordinary flight; what was called stays."""

from itertools import product

import numpy as np
import pytest

from logger_app.domain.hindsight import MAX_RUNS_IN_A_ROW, _Chain, looking_back, shares
from logger_app.domain.settings import Evidence, Known, Memory
from logger_app.records.plan import TestPoint

POINTS = (
    TestPoint(id="A1", card="A", runs_wanted=2),
    TestPoint(id="A2", card="A", flap_deg=20, runs_wanted=2),
    TestPoint(id="D1", card="D", bank_deg=-30, runs_wanted=2),
    TestPoint(id="D2", card="D", flap_deg=20, bank_deg=-30, runs_wanted=2),
)


def called(belief=0.99, away=False, doubted=(), card=None, follows=False, **values):
    said = tuple((item, Known(value=v, unit=None, since_ns=0, call=item, belief=belief)) for item, v in values.items())
    return Evidence(said=said, away=away, doubted=frozenset(doubted), card=card, card_follows=follows)


def everything(point):
    return called(power="idle", flap=point.flap_deg, bank=point.bank_deg)


def back(flown, placed, points=POINTS):
    return looking_back(points, points, Memory(flown=tuple(flown)), placed)


A1, A2, D1, D2 = map(everything, POINTS)
SAME = Evidence()


def test_a_missed_flap_shows_in_what_the_cards_and_the_next_set_up_say():
    """A1, A2, D1 (its "flaps up" not heard), D2: called alone, D1's runs are at D2."""
    missed = called(power="idle", bank=-30.0)
    found = back([A1, SAME, A2, SAME, missed, SAME, D2, SAME], ["A1", "A1", "A2", "A2", "D2", "D2", "D2", "D2"])

    assert [one.point for one in found] == ["A1", "A1", "A2", "A2", "D1", "D1", "D2", "D2"]
    assert found[4].why == "looking back: D1 follows A2 on the cards, a flap call was missed"
    assert [one.why for one in found[:4] + found[6:]] == [""] * 6


def test_what_was_called_for_a_run_is_never_overruled():
    found = back([A1, SAME, A2, SAME, A1, SAME, A1, SAME], ["A1", "A1", "A2", "A2", "A1", "A1", "A1", "A1"])

    assert [one.point for one in found] == ["A1", "A1", "A2", "A2", "A1", "A1", "A1", "A1"]


def test_a_setting_that_was_heard_and_not_believed_keeps_a_run_at_no_point():
    flown = [A1, SAME, called(power="idle", bank=0.0, doubted=["flap"]), SAME, D1, SAME]

    assert back(flown, ["A1", "A1", None, None, "D1", "D1"])[2].point is None


def test_few_runs_are_not_looked_back_on():
    assert back([called(power="idle"), SAME], [None, None]) == []


def test_a_run_among_others_takes_the_point_that_it_had_no_words_for():
    """The first set-up's flap was not heard; the second one's was, and the first card comes first."""
    flown = [called(power="idle", bank=0.0), SAME, A2, SAME, D1, SAME, D2, SAME]
    found = back(flown, [None, None, "A2", "A2", "D1", "D1", "D2", "D2"])

    assert (found[0].point, found[0].share < 1) == ("A1", True)


@pytest.mark.parametrize("away", [False, True])
def test_shares_are_those_of_all_paths_added_up_one_by_one(away):
    """Forward and backward against plain enumeration, an independent method."""
    points = POINTS[:3]
    flown = [called(power="idle", flap=0.0), called(away=away), called(flap=20.0, card="A2", follows=True), SAME]
    chain = _Chain(points, points, flown)
    habits = {"changed": 0.9, "same": 0.4, "again": 0.2, "level": 0.3, "after turn": 0.7, "card": 0.6}
    entered = np.zeros((4, 3))
    got, _ = chain._passes(habits, entered)

    likely = [chain.called(k, habits) for k in range(4)]
    weight = np.zeros((4, 3))
    for path in product(range(3), repeat=4):
        p = ((1 - 0.2) / 3 + 0.2 * (path[0] == 0)) * likely[0].mean(0)[path[0]]
        row = 1
        for k in range(1, 4):
            a, b = path[k - 1], path[k]
            leaves = chain.leaves(min(row, MAX_RUNS_IN_A_ROW))[a]
            p *= ((1 - leaves) if a == b else leaves * chain.goes_to(entered)[k, a, b]) * likely[k][a, b]
            row = row + 1 if a == b else 1
        for k, point in enumerate(path):
            weight[k, point] += p
    np.testing.assert_allclose(got, weight / weight.sum(1, keepdims=True), rtol=1e-9)


def test_every_row_adds_up_to_one():
    np.testing.assert_allclose(shares(POINTS, POINTS, [A1, SAME, D2, called(card="A2")]).sum(1), 1.0)
    assert shares(POINTS[:1], POINTS[:1], [A1, SAME]).tolist() == [[1.0], [1.0]]
