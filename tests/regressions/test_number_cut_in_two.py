""" "One zero one" was cut after the zero and gave 100, sure and unflagged, and a lone digit that was dropped."""

from dataclasses import replace

import numpy as np
import pytest

from logger_app.hear.decode import Decoder, Stretch
from logger_app.hear.gate import Gate
from logger_app.hear.lattice import build_tree
from logger_app.hear.packs_io import load_pack
from logger_app.hear.phones import PHONE_ID
from logger_app.hear.segment import Piece


@pytest.fixture(scope="module")
def decoder():
    gate = Gate(np.array([0.0, 3.0, 0, 0, 0, 0, 0]), np.array([2.0, 0, 0, 0, 0, 0]), np.ones(6), 0.0)
    numbers = replace(load_pack("en"), items=(), ignored=())
    return Decoder(build_tree(numbers, 95.0, 110.0, "kt"), gate)


class Cut:
    """A segmenter that parts the stretch at a frame, into two airspeeds."""

    def __init__(self, tree, at, frames, first, second):
        ends = {tree.units[unit].words: k for k, unit in reversed(list(enumerate(tree.end_unit)))}
        self._pieces = [Piece(0, at, ends[first]), Piece(at, frames, ends[second])]

    def pieces(self):
        return self._pieces


def frames_of(phones: str) -> np.ndarray:
    """What a fairly sure network says: each phone for two frames, two of the blank after it."""
    rows = np.full((4 * len(phones.split()) + 8, 40), 0.1 / 39)
    rows[:, 0] = 0.9
    for k, phone in enumerate(phones.split()):
        rows[4 + 4 * k : 6 + 4 * k] = 0.1 / 39
        rows[4 + 4 * k : 6 + 4 * k, PHONE_ID[phone]] = 0.9
    return np.log(rows / rows.sum(1, keepdims=True))


@pytest.mark.parametrize(
    ("phones", "cut_after", "first", "second", "value"),
    [
        ("W AH N Z IH R OW W AH N", 7, ("one", "hundred"), ("one",), 101.0),
        ("W AH N OW W AH N", 4, ("one", "hundred"), ("one",), 101.0),
        ("W AH N Z IH R OW F AY V", 7, ("one", "zero", "zero"), ("five",), 105.0),
    ],
)
def test_a_number_cut_in_two_is_joined_again(decoder, phones, cut_after, first, second, value):
    """ "One zero" alone is 10 kt, no airspeed that can be: the cut gave what is nearest, 100."""
    log_p = frames_of(phones)
    stretch = Stretch(log_p, np.full(len(log_p), 0.95), np.zeros(len(log_p)))

    found = decoder.calls(stretch, Cut(decoder.tree, 4 + 4 * cut_after, len(log_p), first, second))

    assert [one.call.value for one in found.calls] == [value]
