"""The loudspeaker for cues. A cue that cannot be played is no reason to stop anything."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from logger_app.fly.capture.mic_portaudio import PORTAUDIO, load_portaudio
from logger_app.units import RATE_HZ


class Speaker(Protocol):
    """Plays short sounds. May wait for a sound system that does not answer, so it is asked in a thread of its own."""

    def play(self, pcm: np.ndarray) -> float | None:
        """Start a sound (16 kHz mono int16); gives the delay until it is heard [s], None if it is not."""


class SilentSpeaker:
    """Keeps what would have been played; for files played faster than time, and for tests."""

    def __init__(self) -> None:
        self.played: list[np.ndarray] = []

    def play(self, pcm: np.ndarray) -> float | None:
        """Remember it."""
        self.played.append(pcm)
        return None


class PortAudioSpeaker:
    """The default output device. `trouble` says why nothing is heard."""

    def __init__(self) -> None:
        self.trouble = ""

    def play(self, pcm: np.ndarray) -> float | None:
        """Start a sound; a newer one cuts an older one short."""
        sounddevice, self.trouble = load_portaudio()
        if sounddevice is None:
            return None
        try:
            with PORTAUDIO:
                sounddevice.play(pcm, RATE_HZ)
                self.trouble = ""
                return float(sounddevice.get_stream().latency)
        except Exception as err:
            self.trouble = f"no loudspeaker ({err})"
            return None
