"""Recording the spoken rehearsal: which microphone, and its sound until somebody says that it is enough."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from logger_app.fly.capture.mic import MAX_STOP_S, BlockQueue, Microphone, level_dbfs
from logger_app.units import RATE_HZ

MAX_REHEARSAL_S = 60.0
LEVEL_EVERY_BLOCKS = 10


def microphone_of(device: str | None = None, audio: Path | None = None) -> Microphone:
    """The microphone of that name, or a recording in its place."""
    if audio:
        from logger_app.fly.capture.mic_wavfile import FileMicrophone

        return FileMicrophone(audio)
    from logger_app.fly.capture.mic_portaudio import PortAudioMicrophone

    return PortAudioMicrophone(device)


def record(
    microphone: Microphone, enough: Callable[[], bool], on_level: Callable[[float], object] = lambda level_dbfs: None
) -> np.ndarray:
    """Record until `enough`, the end of a recording, trouble, or a minute.

    Returns
    -------
    ndarray of int16, shape (n,)
        16 kHz mono; empty where nothing came (`microphone.trouble` then says why).
    """
    blocks, samples = BlockQueue(limit_s=2 * MAX_REHEARSAL_S), 0
    parts: list[np.ndarray] = []
    microphone.start(blocks)
    while not enough() and samples < MAX_REHEARSAL_S * RATE_HZ:
        block = blocks.get(timeout_s=0.1)
        if block is None:
            if microphone.trouble:
                break
            continue
        if block.last:
            break
        parts.append(block.pcm)
        samples += len(block.pcm)
        if len(parts) % LEVEL_EVERY_BLOCKS == 0:
            on_level(level_dbfs(block.pcm))
    microphone.stop(MAX_STOP_S)
    return np.concatenate(parts) if parts else np.zeros(0, np.int16)
