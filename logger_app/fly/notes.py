"""When a spoken note is over: the voice has been quiet for a while. Pure.

Told from the level alone: a note is any words at all, and the recogniser knows only calls.
"""

from __future__ import annotations

from collections import deque

from logger_app.domain.run_bounds import LONGEST_NOTE_NS
from logger_app.units import s_to_ns

# Common practice, no source: a pause inside a sentence is shorter than this.
QUIET_NS = s_to_ns(1.8)
# Before the first word: time to think.
PATIENCE_NS = s_to_ns(6.0)
# The word "note" itself may ring on this long after its end as told.
WORD_NS = s_to_ns(0.3)
# Speech stands out of cockpit noise by this; the noise is the lower tenth of the last 20 s.
ABOVE_NOISE_DB = 6.0
MEMORY_BLOCKS = 400
NOISE_SHARE = 0.1


class QuietWatch:
    """Follows the level; `last_speech_ns` is when somebody was last speaking."""

    def __init__(self) -> None:
        self._levels: deque[float] = deque(maxlen=MEMORY_BLOCKS)
        self.last_speech_ns: int | None = None

    def block(self, end_ns: int, level_dbfs: float) -> None:
        """One block of sound went by, up to this time on the flight clock."""
        self._levels.append(level_dbfs)
        ranked = sorted(self._levels)
        noise_dbfs = ranked[int(NOISE_SHARE * (len(ranked) - 1))]
        if level_dbfs > noise_dbfs + ABOVE_NOISE_DB:
            self.last_speech_ns = end_ns


def note_over_ns(since_ns: int, now_ns: int, last_speech_ns: int | None) -> int | None:
    """When the sentence that began after `since_ns` was over, or None while it goes on.

    Parameters
    ----------
    since_ns : int
        End of the word "note" [ns].
    now_ns : int
        Sound has come up to here [ns].
    last_speech_ns : int or None
        When somebody was last speaking [ns].

    Returns
    -------
    int or None
        End of the last speech, or of the time allowed [ns].
    """
    if last_speech_ns is not None and last_speech_ns > since_ns + WORD_NS:
        over_ns = last_speech_ns if now_ns - last_speech_ns > QUIET_NS else None
    else:
        over_ns = now_ns if now_ns - since_ns > PATIENCE_NS else None
    return now_ns if over_ns is None and now_ns - since_ns > LONGEST_NOTE_NS else over_ns
