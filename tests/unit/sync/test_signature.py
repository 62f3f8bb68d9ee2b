import numpy as np
import pytest

from logger_app.fly.cues import sync_chirp
from logger_app.sync.signature import find_signatures, match_signatures, signature

RATE = 16_000


def test_it_is_the_sweep_that_the_cockpit_plays():
    played = sync_chirp().astype(float)

    np.testing.assert_allclose(played / np.abs(played).max(), signature() / np.abs(signature()).max(), atol=1e-3)


@pytest.mark.parametrize("snr_db", [0, -10, -20])
def test_sweeps_are_found_in_engine_noise(cockpit_noise, snr_db):
    wave = signature()
    sound = cockpit_noise(130, 3).astype(float)
    starts = (20.5, 59.9, 101.123)
    gain = sound.std() / wave.std() * 10 ** (snr_db / 20)
    for start_s in starts:
        k = round(start_s * RATE)
        sound[k : k + len(wave)] += gain * wave
    found = find_signatures(np.clip(sound, -32768, 32767).astype(np.int16))

    assert [round(s.start_s, 2) for s in found] == [20.5, 59.9, 101.12]


def test_none_is_found_where_none_was_played(cockpit_noise, microphones):
    assert find_signatures(cockpit_noise(120, 5)) == []
    assert find_signatures(microphones(120, 0, 0, 20, 6)[0]) == []
    assert find_signatures(np.zeros(50 * RATE, np.int16)) == []


def test_one_pair_gives_the_offset_and_more_the_drift():
    assert match_signatures([40.0], [10.0]) == (30.0, 0.0, 1)
    offset_s, drift, count = match_signatures([40.0, 1040.05], [10.0, 1010.0])
    assert (count, round(offset_s, 4)) == (2, round(30 - 10 * 5e-5, 4)) and drift == pytest.approx(5e-5, rel=1e-3)


def test_a_pairing_that_could_be_another_is_no_answer():
    assert match_signatures([40.0, 90.0], [10.0]) is None
    assert match_signatures([], [1.0]) is None
