"""`Decoder._score` averaged speech and talk over the wrong frames: a spelling number had overwritten the end of the piece."""

import numpy as np
import pytest

from logger_app.hear.decode import Decoder, Stretch
from logger_app.hear.gate import Gate
from logger_app.hear.lattice import build_tree
from logger_app.hear.net import OUTPUTS
from logger_app.hear.packs_io import load_pack
from logger_app.hear.phones import PHONE_ID

# Belief from the talk output alone.
GATE = Gate(np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -15.0]), np.array([2.0, 0, 0, 0, 0, 0]), np.ones(6), 0.0)


@pytest.fixture(scope="module")
def tree():
    return build_tree(load_pack("en"), 20, 199, "kt")


def frames_of(phones):
    rows = []
    for phone in [None, *phones.split(), None]:
        for k in [0] * 6 if phone is None else [PHONE_ID[phone]] * 2 + [0] * 2:
            p = np.full(OUTPUTS, 0.1 / (OUTPUTS - 1))
            p[k] = 0.9
            rows.append(np.log(p))
    return np.array(rows)


@pytest.mark.parametrize("phones", ["F AO R T IY", "F IH F T IY", "S IH K S T IY"])
def test_talk_is_averaged_over_the_whole_piece(tree, phones):
    """Talk in the first frames only: the old slice ended at the number of a spelling, which had nothing to do with the piece."""
    decoder = Decoder(tree, GATE)
    log_p = frames_of(phones)
    mean = {}

    class Watched(Decoder):
        def _belief_of(self, share, log_ratio, phone_count, activity, talk):
            mean["activity"], mean["talk"] = len(activity), float(talk.mean())
            return super()._belief_of(share, log_ratio, phone_count, activity, talk)

    talk = np.linspace(-4.0, 4.0, len(log_p))
    Watched(tree, GATE).whole(Stretch(log_p, np.full(len(log_p), 0.95), talk))

    assert mean["activity"] == len(log_p)
    assert mean["talk"] == pytest.approx(0.0, abs=1e-9)
    assert decoder.whole(Stretch(log_p, np.full(len(log_p), 0.95), np.full(len(log_p), -3.0))).belief > 0.9
