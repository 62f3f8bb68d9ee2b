"""Two microphones in one cockpit, made from bursts of noise: what they share is known to the sample."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

RATE = 16_000


def bursts(seconds, seed, every_s=4.0):
    """Something said now and then: shaped noise, 0.4 to 1.2 s, each its own."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(round(seconds * RATE))
    band = butter(2, [300, 3000], "band", fs=RATE, output="sos")
    at = 0.0
    while (at := at + rng.exponential(every_s) + 0.8) < seconds - 2:
        n = round(rng.uniform(0.4, 1.2) * RATE)
        syllables = np.abs(np.sin(np.linspace(0, rng.uniform(2, 5) * np.pi, n))) ** 0.5
        k = round(at * RATE)
        sound[k : k + n] += sosfilt(band, rng.standard_normal(n)) * syllables * rng.uniform(0.6, 1.4)
    return sound


def engine(n, seed):
    """Engine and wind of one microphone: harmonics of a rate that wanders, and noise; not shared."""
    rng = np.random.default_rng(seed)
    t = np.arange(n) / RATE
    phase = (
        2 * np.pi * np.cumsum(78 + 4 * np.sin(t / (20 + seed % 7)) + np.cumsum(rng.standard_normal(n)) * 2e-4) / RATE
    )
    sound = sum(np.cos(k * phase + rng.uniform(0, 6)) / k**0.7 for k in range(1, 9)) + 1.5 * rng.standard_normal(n)
    return sound / sound.std()


def pcm(sound):
    return np.clip(np.round(sound * 2500 / sound.std()), -32768, 32767).astype(np.int16)


def two_microphones(seconds, offset_s, drift_ppm, snr_db, seed, common=True):
    """Flight and camera: ``flight_s = offset_s + camera_s * (1 + drift_ppm * 1e-6)``, both `seconds` long."""
    lead = abs(offset_s) + 5
    said = bursts(seconds + 2 * lead, seed)
    loud = said[np.abs(said) > 0.05].std()
    n = round(seconds * RATE)
    flight = said[round(lead * RATE) : round(lead * RATE) + n]
    heard = said if common else bursts(seconds + 2 * lead, seed + 999)
    at = (lead + offset_s + np.arange(n) / RATE * (1 + drift_ppm * 1e-6)) * RATE
    camera = np.interp(at, np.arange(len(heard)), heard)
    gain = loud * 10 ** (-snr_db / 20)
    return pcm(flight + gain * engine(n, seed + 1)), pcm(camera + gain * engine(n, seed + 2))


@pytest.fixture(scope="session")
def microphones():
    return two_microphones


@pytest.fixture(scope="session")
def cockpit_noise():
    return lambda seconds, seed: pcm(engine(round(seconds * RATE), seed))
