"""Is sound coming, and is it more than silence? Pure: times are given.

A microphone that was never plugged in, a switch that was left on mute and a thread that died look alike to the
pilot: nothing is recorded. So it is judged by what arrives, not by what anybody reports.
"""

from __future__ import annotations

# No sound at all for this long is an alarm, from the start on as well as later [s].
NO_SOUND_S = 2.0
# Exact silence: no microphone that is on gives it. At first as above; later a noise gate in the headset may close
# between sentences (common practice, no source) [s].
SILENT_LATER_S = 20.0
# Peak of a block of 16-bit samples that is still silence: the last bit may flicker.
SILENT_PEAK = 2


class SoundWatch:
    """Follows blocks of sound as they arrive. `heard_anything` says whether any was more than silence."""

    def __init__(self, now_s: float):
        self._block_s = self._heard_s = now_s
        self.heard_anything = False

    def block(self, now_s: float, peak: int) -> None:
        """A block of sound was taken.

        Parameters
        ----------
        now_s : float
            By a steady clock [s].
        peak : int
            Largest sample in it, 0 to 32768.
        """
        self._block_s = now_s
        if peak > SILENT_PEAK:
            self._heard_s = now_s
            self.heard_anything = True

    def trouble(self, now_s: float) -> str:
        """What is wrong with the sound now, in words; empty while it comes."""
        if now_s - self._block_s > NO_SOUND_S:
            return "no sound comes from the microphone"
        if now_s - self._heard_s > (SILENT_LATER_S if self.heard_anything else NO_SOUND_S):
            return "silence from the microphone (muted?)"
        return ""
