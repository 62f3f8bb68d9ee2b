"""The sounds: what the sync signature is, and that good and again cannot be taken for each other."""

import numpy as np
import pytest
from scipy import signal

from logger_app.fly.cues import RATE_HZ, Tone, sync_chirp, tone_sound


def test_the_sync_signature_is_the_linear_sweep_that_scipy_makes():
    # Outside check: scipy.signal.chirp, 1 to 3 kHz in 0.8 s.
    made = sync_chirp().astype(float)
    t = np.arange(len(made)) / RATE_HZ
    expected = signal.chirp(t, 1000, 0.8, 3000, phi=-90) * np.sqrt(np.hanning(len(t)))

    assert len(made) == 12_800
    assert np.corrcoef(made, expected)[0, 1] > 0.99999


@pytest.mark.parametrize("tone", list(Tone))
def test_every_tone_is_short_and_does_not_clip_or_click(tone):
    pcm = tone_sound(tone)

    assert pcm.dtype == np.int16
    assert 0.04 < len(pcm) / RATE_HZ <= 0.85
    assert 10_000 < np.abs(pcm).max() < 32_000
    assert abs(int(pcm[0])) < 200 and abs(int(pcm[-1])) < 3000


def test_good_rises_and_again_falls():
    def pitches(tone):
        pcm = tone_sound(tone).astype(float)
        halves = pcm[: len(pcm) // 3], pcm[-len(pcm) // 4 :]
        return [np.argmax(np.abs(np.fft.rfft(h * np.hanning(len(h))))) * RATE_HZ / len(h) for h in halves]

    first, last = pitches(Tone.GOOD)
    assert last > first * 1.2
    first, last = pitches(Tone.AGAIN)
    assert last < first / 1.2
