"""Made cockpits for the bench of the sync: one flight, one camera in chapters, and the truth. Not for tests of hearing.

What is said is made anew each time, syllable by syllable: a gliding pitch through wandering resonances, or
breath. Two microphones hear it through their own response and echoes, and the tablet's cues with it. Engine and
wind are independent at each, the wind in gusts. Nothing here knows how the sync works.

Main names: `Cockpit`, `made`, `heard_in_both`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import firwin2, lfilter

from logger_app.fly.cues import PATTERNS, tone_sound

RATE = 16_000
SNRS_DB = (20, 10, 5, 0, -5)
# What a camera without common sound has instead; each is a way to be fooled.
OTHERS = (
    "other talk",
    "other talk, same cues",
    "no talk, knocks",
    "other talk, same steady tones",
    "other talk, knocks",
)
MAX_LOST_S = 2.5
SHORTEST_CHAPTER_S = 60.0
SHORTEST_OVERLAP_S = 30.0
BLOCK_S = 20
HOP = 160


@dataclass(frozen=True, slots=True, kw_only=True)
class Cockpit:
    """One trial. ``flight_s = offset_s + camera_s * (1 + drift_ppm * 1e-6)``; chapters are spans of `camera_s`."""

    seed: int
    flight_s: float
    camera_s: float
    offset_s: float
    drift_ppm: float
    flight_snr_db: float
    camera_snr_db: float
    chapters: tuple[tuple[float, float], ...]
    other: str = ""  # empty: they share their sound

    def chapter_offset_s(self, k: int) -> float:
        """The flight time at which a chapter begins."""
        return self.offset_s + self.chapters[k][0] * (1 + self.drift_ppm * 1e-6)

    def overlap_s(self, k: int) -> tuple[float, float]:
        """The part of a chapter, on its own clock, during which the flight was recorded; empty where the second is not later."""
        begin, end = self.chapters[k]
        at, rate = self.chapter_offset_s(k), 1 + self.drift_ppm * 1e-6
        return max(0.0, -at / rate), min(end - begin, (self.flight_s - at) / rate)


def made(k: int, shortest_min: float = 5.0, longest_min: float = 30.0) -> Cockpit:
    """The `k`-th trial: every fourth without common sound, the ratios in all 25 pairs."""
    rng = np.random.default_rng(9000 + k)
    flight_s = float(rng.uniform(20, 40)) * 60 * min(1.0, longest_min / 30)
    camera_s = float(rng.uniform(shortest_min, longest_min)) * 60
    drift_ppm = float(rng.uniform(-100, 100))
    reach_s = 1200 * min(1.0, longest_min / 30)
    while True:
        offset_s = float(rng.uniform(-reach_s, reach_s))
        if min(flight_s, offset_s + camera_s) - max(0.0, offset_s) >= SHORTEST_OVERLAP_S:
            break
    without = k % 4 == 3
    return Cockpit(
        seed=k,
        flight_s=flight_s,
        camera_s=camera_s,
        offset_s=offset_s,
        drift_ppm=drift_ppm,
        flight_snr_db=SNRS_DB[(k // 4) % 5],
        camera_snr_db=SNRS_DB[(k // 20) % 5],
        chapters=_chapters(camera_s, rng),
        other=OTHERS[(k // 4 + k // 20) % 5] if without else "",
    )


def _chapters(camera_s: float, rng) -> tuple[tuple[float, float], ...]:
    """One to four, with up to 2.5 s lost between them."""
    wanted = int(rng.integers(1, 5))
    cuts = [0.0]
    for cut in sorted(rng.uniform(0, camera_s, wanted - 1)):
        if cut - cuts[-1] >= SHORTEST_CHAPTER_S and camera_s - cut >= SHORTEST_CHAPTER_S:
            cuts.append(float(cut))
    ends = [*cuts[1:], camera_s]
    lost = [0.0, *rng.uniform(0, MAX_LOST_S, len(cuts) - 1).tolist()]
    return tuple((begin + gap, float(end)) for begin, end, gap in zip(cuts, ends, lost))


def sounds(cockpit: Cockpit) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]]]:
    """What both microphones recorded.

    Returns
    -------
    tuple of (ndarray of int16, ndarray of int16, list of (float, float))
        The flight; the camera, whole, before it is cut; when something was said or a cue sounded, on the flight clock [s].
    """
    rng = np.random.default_rng([cockpit.seed, 1])
    rate = 1 + cockpit.drift_ppm * 1e-6
    first_s = min(0.0, cockpit.offset_s) - 1.0
    last_s = max(cockpit.flight_s, cockpit.offset_s + cockpit.camera_s * rate) + 2.0
    common, spans = talk(last_s - first_s, rng)
    begin, end = round(-first_s * RATE), round((cockpit.flight_s - first_s) * RATE)
    flight = microphone(common[max(0, begin - 2000) : end], rng)[-(end - begin) :].copy()
    # Only what the camera was there for, and a little more.
    begin_s = cockpit.offset_s - first_s - 0.2
    length_s = cockpit.camera_s * rate + 0.6
    if cockpit.other:
        there, _ = talk(
            length_s,
            np.random.default_rng([cockpit.seed, 2]),
            cues="cues" in cockpit.other,
            description="no talk" not in cockpit.other,
        )
    else:
        there = common[round(begin_s * RATE) :][: round(length_s * RATE)]
    there = microphone(there, rng)
    del common
    camera = _resampled(there, (0.2 + begin_s) * RATE - round(begin_s * RATE), rate, round(cockpit.camera_s * RATE))
    del there
    heard = [(begin + first_s, end + first_s) for begin, end in spans]
    steady = cockpit.other.endswith("tones")
    pcm = []
    for k, (sound, snr_db) in enumerate(((flight, cockpit.flight_snr_db), (camera, cockpit.camera_snr_db))):
        spoken = sound[np.abs(sound) > 0.1]
        loud = float(np.sqrt(np.mean(spoken**2))) if len(spoken) > RATE else 0.5
        if "knocks" in cockpit.other:
            _knock(sound, np.random.default_rng([cockpit.seed, 4, k]))
        pcm.append(_with_noise(sound, loud * 10 ** (-snr_db / 20), np.random.default_rng([cockpit.seed, 3, k]), steady))
    return pcm[0], pcm[1], heard


def talk(
    seconds: float, rng, *, cues: bool = True, description: bool = True
) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Calls and words, now more, now less, one in twelve followed by a cue; and when each of them sounds [s]."""
    sound = np.zeros(round(seconds * RATE), np.float32)
    spans, at = [], 0.0
    pitch_hz = float(rng.uniform(95, 200))
    while (at := at + rng.exponential(5 if rng.random() < 0.8 else 25) + 0.6) < seconds - 3:
        word = utterance(pitch_hz, rng) if description else np.zeros(RATE, np.float32)
        if cues and rng.random() < 1 / 12:
            tone = tone_sound(list(PATTERNS)[int(rng.integers(len(PATTERNS)))]).astype(np.float32) / 16_000
            word = np.concatenate((word, np.zeros(RATE // 3, np.float32), tone))
        k = round(at * RATE)
        sound[k : k + len(word)] += word[: len(sound) - k]
        spans.append((at, at + len(word) / RATE))
        at += len(word) / RATE
    return sound, spans


def _knock(sound: np.ndarray, rng) -> None:
    """Switches, boots and latches: sharp, each in one recording only, one in about eight seconds."""
    for k in np.sort(rng.integers(0, len(sound) - 800, len(sound) // (8 * RATE))):
        n = int(rng.integers(8, 300))
        knock = rng.standard_normal(n) * np.exp(-np.arange(n) / rng.uniform(4, 60)) * rng.uniform(1, 4)
        sound[k : k + n] += knock.astype(np.float32)


def utterance(pitch_hz: float, rng) -> np.ndarray:
    """Two to six syllables, 0.12 to 0.28 s each."""
    parts = []
    for _ in range(int(rng.integers(2, 7))):
        n = round(rng.uniform(0.12, 0.28) * RATE)
        breath = rng.standard_normal(n).astype(np.float32)
        if rng.random() < 0.75:
            phase = (
                np.cumsum(
                    np.linspace(1, rng.uniform(0.8, 1.2), n)
                    * pitch_hz
                    * rng.uniform(0.85, 1.2)
                    * (1 + 0.01 * rng.standard_normal(n))
                )
                / RATE
            )
            source = np.diff(np.floor(phase), prepend=0).astype(np.float32) * 8 + 0.15 * breath
            formants = (rng.uniform(300, 800), rng.uniform(900, 2200), rng.uniform(2200, 3200))
        else:
            source, formants = breath, (rng.uniform(1800, 3000), rng.uniform(3000, 5000))
        made_here = np.zeros(n, np.float32)
        for k, hz in enumerate(formants):
            r = np.exp(-np.pi * (80 + 40 * k) / RATE)
            part = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * hz / RATE), r * r], source)
            made_here += (part / (part.std() + 1e-9) * 0.7**k).astype(np.float32)
        parts.append(made_here * np.hanning(n).astype(np.float32) ** 0.5)
    word = np.concatenate(parts)
    return word / word.std() * float(rng.uniform(0.5, 1.5)) * 0.5


def microphone(sound: np.ndarray, rng) -> np.ndarray:
    """Response within a few decibels, and the echoes of a cabin."""
    gain = 10 ** ((np.array([-30, -6, 0, 0, 0, -3, -12, -30]) + rng.uniform(-5, 5, 8)) / 20)
    shape = firwin2(201, [0, 150, 400, 1000, 2000, 3000, 5000, 8000], gain, fs=RATE)
    echo = np.zeros(960)
    echo[0] = 1
    k = rng.integers(10, 960, 30)
    echo[k] += rng.standard_normal(30) * 0.5 * np.exp(-k / 190)
    heard, n = np.convolve(shape, echo)[100:].astype(np.float32), 1 << 17
    kernel, step = rfft(heard, n), n - len(heard) + 1
    out = np.zeros(len(sound) + n, np.float32)
    for k in range(0, len(sound), step):
        out[k : k + n] += irfft(rfft(sound[k : k + step], n) * kernel, n)
    return out[: len(sound)]


def _resampled(sound: np.ndarray, first: float, rate: float, n: int) -> np.ndarray:
    """Taken by a clock that is a little off, from a place between two samples."""
    out = np.empty(n, np.float32)
    for k in range(0, n, BLOCK_S * RATE):
        at = first + np.arange(k, min(n, k + BLOCK_S * RATE)) * rate
        low = at.astype(np.int64)
        part = (at - low).astype(np.float32)
        out[k : k + len(at)] = sound[low] * (1 - part) + sound[low + 1] * part
    return out


def _with_noise(sound: np.ndarray, gain: float, rng, steady: bool) -> np.ndarray:
    blocks = list(engine(len(sound), rng, steady))
    spread = float(np.sqrt(np.mean([np.mean(b**2) for b in blocks])))
    top = float(np.sqrt(np.mean(sound**2))) + gain
    out = np.empty(len(sound), np.int16)
    for k, block in enumerate(blocks):
        a = k * BLOCK_S * RATE
        out[a : a + len(block)] = np.clip(
            np.round((sound[a : a + len(block)] + gain / spread * block) * (2500 / top)), -32768, 32767
        )
    return out


def engine(n: int, rng, steady: bool = False) -> Iterator[np.ndarray]:
    """Orders of a firing rate that wanders (or of one that every aircraft has alike), and wind in gusts."""
    hz, swing_s = (80.0 if steady else rng.uniform(70, 90)), rng.uniform(15, 30)
    turns = np.arange(4096) / 4096
    wave = sum(np.cos(2 * np.pi * order * turns + rng.uniform(0, 6)) / order**0.7 for order in range(1, 8)).astype(
        np.float32
    )
    hops = n // HOP + 2
    now_hz = np.full(hops, hz)
    if not steady:
        now_hz += 4 * np.sin(np.arange(hops) * HOP / RATE / swing_s) + np.cumsum(rng.standard_normal(hops)) * 2.5e-3
    cycles = np.concatenate(([0.0], np.cumsum(now_hz))) * HOP / RATE
    gusts = np.exp(0.3 * rng.standard_normal(n // (2 * RATE) + 3))
    gusts = np.interp(np.arange(hops) * HOP / RATE, np.arange(len(gusts)) * 2.0, gusts).astype(np.float32)
    for k in range(0, n, BLOCK_S * RATE):
        m = min(BLOCK_S * RATE, n - k)
        first, count = k // HOP, -(-m // HOP)
        within = np.arange(HOP) / HOP
        turned = cycles[first : first + count, None] + within * np.diff(cycles)[first : first + count, None]
        orders = wave[(turned.ravel()[:m] * 4096).astype(np.int64) & 4095]
        yield orders + 1.2 * np.repeat(gusts[first : first + count], HOP)[:m] * rng.standard_normal(m, dtype=np.float32)


# ---- what could be found at all, from the truth ----

# A sound counts as heard in both recordings when, the camera laid on the flight by the truth, the two correlate
# within a millisecond of it by so many times what they do elsewhere within half a second. Of 16,000 lags of noise
# alone the highest reaches 4.2.
HEARD_Z = 5.0
# So many of them make a case solvable: one or two may be cues, which are the same in every flight.
SOLVABLE_SOUNDS = 4
WINDOW_S = 2.0


def heard_in_both(cockpit: Cockpit, k: int, flight: np.ndarray, camera: np.ndarray, spans) -> int:
    """How many sounds a chapter shares with the flight that stand out of the noise of both; `camera` is the chapter."""
    rate, at = 1 + cockpit.drift_ppm * 1e-6, cockpit.chapter_offset_s(k)
    n, half = round(WINDOW_S * RATE), round(0.5 * RATE)
    size = next_fast_len(n + half, real=True)
    hz = np.fft.rfftfreq(size, 1 / RATE)
    taper = np.hanning(n).astype(np.float32)
    count = 0
    for begin, end in spans:
        middle = (begin + end) / 2
        on_flight, on_camera = middle - WINDOW_S / 2, ((middle - WINDOW_S / 2) - at) / rate
        a, b = round(on_flight * RATE), on_camera * RATE
        if a < 0 or a + n > len(flight) or b < 0 or b + n * rate + 2 > len(camera):
            continue
        grid = (b + (a - on_flight * RATE) / rate) + np.arange(n) / rate
        low = np.floor(grid).astype(int)
        part = grid - low
        if low[0] < 0 or low[-1] + 1 >= len(camera):
            continue
        here = camera[low] * (1 - part) + camera[low + 1] * part
        cross = rfft(flight[a : a + n] * taper, size) * np.conj(rfft(here * taper, size))
        cross /= np.abs(cross) + 1e-9 * np.abs(cross).max() + 1e-20
        cross[(hz < 300) | (hz > 3400)] = 0
        lags = irfft(cross, size)
        near = np.concatenate((lags[-half:], lags[: half + 1]))
        count += bool(near[half - 16 : half + 17].max() > HEARD_Z * np.median(np.abs(near)) / 0.6745)
    return count
