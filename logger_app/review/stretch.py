"""Sound slowed down with its pitch kept, for a second hearing of one call. Pure."""

from __future__ import annotations

import numpy as np

FRAME = 800  # 50 ms at 16 kHz: two periods of a low voice and more
SEARCH = 160  # 10 ms: one period of a low voice


def stretched(pcm: np.ndarray, speed: float) -> np.ndarray:
    """The same sound at another speed, same pitch.

    Parameters
    ----------
    pcm : ndarray of int16, shape (n,)
        16 kHz mono.
    speed : float
        1 as it is, 0.5 twice as long.

    Raises
    ------
    ValueError
        `speed` is not between 0.25 and 2.

    References
    ----------
    Verhelst and Roelands (1993), "An overlap-add technique based on waveform similarity (WSOLA)",
    ICASSP 1993, vol. 2, 554-557.
    """
    if not 0.25 <= speed <= 2:
        raise ValueError(f"speed {speed}; needs 0.25 to 2")
    if speed == 1 or len(pcm) < 2 * FRAME + 2 * SEARCH:
        return pcm
    sound = np.pad(pcm.astype(np.float64), (SEARCH, FRAME + SEARCH))
    hop = FRAME // 2
    window = np.hanning(FRAME + 1)[:-1]
    count = int((len(pcm) - FRAME) / (hop * speed))
    out = np.zeros(count * hop + FRAME)
    at = SEARCH
    for k in range(count):
        out[k * hop : k * hop + FRAME] += window * sound[at : at + FRAME]
        # What would have followed naturally; the next frame is taken where the sound is most like it.
        natural = sound[at + hop : at + hop + FRAME]
        ideal = SEARCH + int((k + 1) * hop * speed)
        region = sound[ideal - SEARCH : ideal + SEARCH + FRAME]
        if len(natural) < FRAME or len(region) < FRAME + 2 * SEARCH:
            break
        likeness = np.correlate(region, natural, "valid")
        at = ideal - SEARCH + int(np.argmax(likeness))
    return np.clip(np.round(out), -32768, 32767).astype(np.int16)
