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
    second = [
        heard("x", 10.2, 58.0),
        heard("y", 11.0, 57.0),
        heard("z", 12.4, None, CallKind.EVENT, "buffet"),
    ]

    assert compare_listenings(FIRST, second, "slow") == []


def test_other_value_missing_and_extra():
    second = [heard("x", 10.1, 50.0), heard("z", 12.3, None, CallKind.EVENT, "buffet"), heard("n", 20, 55.0)]
    bodies = compare_listenings(FIRST, second, "slow")

    assert [(b["call"], [h["value"] for h in b["heard"]]) for b in bodies] == [
        ("a", [50.0]),
        ("b", []),
        (None, [55.0]),
    ]
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
