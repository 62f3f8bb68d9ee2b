"""The numbers that a waveform is drawn from. Pure."""

from __future__ import annotations

import numpy as np


def peaks(pcm: np.ndarray, columns: int) -> np.ndarray:
    """Lowest and highest sample of each column.

    Returns
    -------
    ndarray of float32, shape (columns, 2)
        Between -1 and 1; zeros where there is no sound.
    """
    out = np.zeros((columns, 2), np.float32)
    if len(pcm) == 0 or columns == 0:
        return out
    edges = np.linspace(0, len(pcm), columns + 1).astype(int)
    starts = np.minimum(edges[:-1], len(pcm) - 1)
    out[:, 0] = np.minimum.reduceat(pcm, starts)
    out[:, 1] = np.maximum.reduceat(pcm, starts)
    return out / 32768.0
