"""Two listenings compared: agreement says nothing, every difference is told once."""

import numpy as np
import pytest

from logger_app.records.calls import CallKind, HeardCall
from logger_app.review.second import compare_listenings
from logger_app.review.stretch import stretched


def heard(id, at_s, value, kind=CallKind.AIRSPEED, name="ias"):
    ns = round(at_s * 1e9)
    return HeardCall(id=id, start_ns=ns, end_ns=ns + 10**8, kind=kind, name=name, value=value, unit="kt")


FIRST = [heard("a", 10, 58.0), heard("b", 11.1, 57.0), heard("c", 12.3, None, CallKind.EVENT, "buffet")]


def test_agreement_within_the_moment_gives_nothing():
    second = [heard("x", 10.2, 58.0), heard("y", 11.0, 57.0), heard("z", 12.4, None, CallKind.EVENT, "buffet")]

    assert compare_listenings(FIRST, second, "slow") == []


def test_other_value_missing_and_extra():
    second = [heard("x", 10.1, 50.0), heard("z", 12.3, None, CallKind.EVENT, "buffet"), heard("n", 20, 55.0)]
    bodies = compare_listenings(FIRST, second, "slow")

    assert [(b["call"], [h["value"] for h in b["heard"]]) for b in bodies] == [("a", [50.0]), ("b", []), (None, [55.0])]
    assert {b["engine"] for b in bodies} == {"slow"}


def test_each_call_of_the_second_answers_one_of_the_first():
    first = [heard("a", 10.0, 58.0), heard("b", 10.6, 57.0)]
    bodies = compare_listenings(first, [heard("x", 10.5, 57.0)], "slow")

    assert [(b["call"], b["heard"]) for b in bodies] == [("a", [])]


@pytest.mark.parametrize("speed", [0.5, 0.75, 1.5])
def test_slower_sound_is_longer_and_keeps_its_pitch(speed):
    """The pitch is read off NumPy's Fourier transform, which knows nothing of how it was stretched."""
    tone = (9000 * np.sin(2 * np.pi * 220 * np.arange(32000) / 16000)).astype(np.int16)
    slow = stretched(tone, speed)
    spectrum = np.abs(np.fft.rfft(slow * np.hanning(len(slow))))

    assert len(slow) == pytest.approx(32000 / speed, rel=0.06)
    assert np.argmax(spectrum) * 16000 / len(slow) == pytest.approx(220, abs=3)


def test_speed_one_is_the_sound_itself_and_silly_speeds_are_refused():
    pcm = np.arange(5000, dtype=np.int16)

    assert stretched(pcm, 1.0) is pcm
    with pytest.raises(ValueError, match="0.25 to 2"):
        stretched(pcm, 9)


@pytest.mark.parametrize("apart_s, same", [(0.7, True), (0.701, False), (-0.7, True)])
def test_the_same_moment_is_within_seven_tenths_of_a_second(apart_s, same):
    bodies = compare_listenings([heard("a", 10.0, 58.0)], [heard("x", 10.0 + apart_s, 58.0)], "slow")

    assert (bodies == []) is same


def test_of_two_as_near_the_one_that_says_the_same_is_the_partner():
    bodies = compare_listenings([heard("a", 10.0, 58.0)], [heard("x", 9.8, 50.0), heard("y", 10.2, 58.0)], "slow")

    assert [(b["call"], b["start_ns"], b["heard"][0]["value"]) for b in bodies] == [(None, 9_800_000_000, 50.0)]


def test_a_body_holds_all_that_was_heard_in_order_of_time():
    late, early = heard("x", 30.0, 55.0), heard("y", 5.0, 70.0)
    bodies = compare_listenings([heard("a", 10.0, 58.0)], [late, early], "slow")

    assert [b["start_ns"] for b in bodies] == [5 * 10**9, 10 * 10**9, 30 * 10**9]
    assert bodies[0]["heard"] == [
        {
            "id": "y",
            "start_ns": 5 * 10**9,
            "end_ns": 5 * 10**9 + 10**8,
            "kind": "airspeed",
            "name": "ias",
            "value": 70.0,
            "unit": "kt",
            "words": "",
            "posterior": 1.0,
        }
    ]


@pytest.mark.parametrize("speed, taken", [(0.25, True), (2.0, True), (0.24, False), (2.01, False)])
def test_from_a_quarter_to_twice_the_speed(speed, taken):
    pcm = np.zeros(4000, np.int16)
    if taken:
        assert len(stretched(pcm, speed)) == pytest.approx(4000 / speed, abs=2000 / speed)
    else:
        with pytest.raises(ValueError, match="0.25 to 2"):
            stretched(pcm, speed)


def test_a_sound_of_hardly_two_frames_is_left_as_it_is():
    # Frames of 50 ms, a search of 10 ms to either side: 1920 samples.
    assert stretched(np.ones(1919, np.int16), 0.5).shape == (1919,)
    assert len(stretched(np.ones(1920, np.int16), 0.5)) > 1920


def test_loudness_is_kept():
    tone = (9000 * np.sin(2 * np.pi * 220 * np.arange(32000) / 16000)).astype(np.int16)
    slow = stretched(tone, 0.5)[2000:-4000].astype(float)

    assert np.sqrt(np.mean(slow**2)) == pytest.approx(9000 / 2**0.5, rel=0.02)
    assert np.abs(stretched(np.full(8000, 32767, np.int16), 0.5)).max() <= 32767


def test_what_was_first_comes_first():
    """Two tones one after the other: each half of the slowed sound has its own."""
    at = np.arange(16000) / 16000
    tones = np.concatenate([np.sin(2 * np.pi * 220 * at), np.sin(2 * np.pi * 660 * at)])
    slow = stretched((9000 * tones).astype(np.int16), 0.5)

    for part, hz in ((slow[1000:29000], 220), (slow[35000:60000], 660)):
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part))))
        assert np.argmax(spectrum) * 16000 / len(part) == pytest.approx(hz, abs=3)
