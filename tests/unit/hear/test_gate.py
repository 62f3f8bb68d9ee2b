"""From measures to belief."""

import numpy as np
import pytest

from logger_app.errors import EngineError
from logger_app.hear.gate import Gate, measures

CONF = {
    "w": [0.0, 2.0, 2.0, 1.0, 0.5, 0.0, -1.0],
    "mu": [5.0, -1.0, -1.0, 0.9, 2.0, 0.0],
    "sd": [4.0, 3.0, 3.0, 0.1, 0.4, 2.0],
}


def test_better_evidence_is_believed_more():
    gate = Gate.from_conf(CONF)
    good = gate.belief(measures(0.9999, -1.0, 7, 0.95, -3.0))
    worse_sound = gate.belief(measures(0.9999, -40.0, 7, 0.95, -3.0))
    rivalled = gate.belief(measures(0.55, -1.0, 7, 0.95, -3.0))
    like_talk = gate.belief(measures(0.9999, -1.0, 7, 0.95, 3.0))

    assert good > max(worse_sound, rivalled, like_talk)


@pytest.mark.parametrize("posterior", [0.0, 1.0])
@pytest.mark.parametrize("log_ratio", [-1e6, 0.0])
def test_belief_is_a_probability_at_the_ends(posterior, log_ratio):
    belief = Gate.from_conf(CONF).belief(measures(posterior, log_ratio, 1, 0.0, 1e9))

    assert 0.0 <= belief <= 1.0 and np.isfinite(belief)


@pytest.mark.parametrize("broken", [{}, CONF | {"w": [1.0]}, CONF | {"mu": "much"}, CONF | {"leans": {"XX": 1.0}}])
def test_a_broken_calibration_is_named(broken):
    with pytest.raises(EngineError):
        Gate.from_conf(broken)
