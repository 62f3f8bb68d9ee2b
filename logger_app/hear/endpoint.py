"""Where speech begins and ends, from the network's own speech activity. Pure.

A stretch is speech with only short breaks in it, and what belongs around it. How long to wait after
the last speech is told from outside, frame by frame: little after a complete call, longer where the
words may go on. Main names: `Endpoint`, `Stretch`, `edges`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

SPEECH = 0.5
# A beginning needs this many frames of speech in a row: a click has fewer.
BEGIN_FRAMES = 2
# Frames kept from before the beginning: the network is never early, the activity may be late.
BEFORE_FRAMES = 8


class Endpoint:
    """Fed one activity value a frame; says when a stretch begins and how long it has been quiet."""

    def __init__(self):
        self.frame = 0
        self.start: int | None = None
        self.last_speech = -1
        self._run = 0

    def step(self, activity: float) -> bool:
        """Take the next frame.

        Parameters
        ----------
        activity : float
            Probability of speech, 0 to 1.

        Returns
        -------
        bool
            Whether a stretch began with this frame; `start` then says where, up to
            `BEFORE_FRAMES` before it.
        """
        speech = activity > SPEECH
        self._run = self._run + 1 if speech else 0
        began = False
        if self.start is None and self._run >= BEGIN_FRAMES:
            self.start, began = self.frame + 1 - self._run, True
        if speech and self.start is not None:
            self.last_speech = self.frame
        self.frame += 1
        return began

    @property
    def quiet_frames(self) -> int:
        """Frames since the last one with speech."""
        return self.frame - 1 - self.last_speech

    def close(self) -> None:
        """The stretch is over."""
        self.start, self._run = None, 0


def edges(activity: Sequence[float] | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Frames where speech begins, and where it has ended.

    Parameters
    ----------
    activity : sequence of float, shape (t,)
        Probability of speech, 0 to 1.

    Returns
    -------
    tuple of ndarray of int
        First frame of each run of speech; first frame after it.

    Examples
    --------
    >>> edges([0.1, 0.9, 0.8, 0.2, 0.7])
    (array([1, 4]), array([3, 5]))
    """
    speech = np.concatenate([[0], np.asarray(activity) > SPEECH, [0]]).astype(np.int8)
    steps = np.diff(speech)
    return np.flatnonzero(steps > 0), np.flatnonzero(steps < 0)


def nearest(places: np.ndarray, frame: float, within: float) -> float:
    """The place nearest to a frame, or the frame itself when none is near."""
    if not len(places):
        return frame
    best = places[np.argmin(np.abs(places - frame))]
    return float(best) if abs(best - frame) <= within else frame
