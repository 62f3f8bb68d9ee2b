"""Level, clipping and a steady offset."""

import numpy as np
import pytest

from logger_app.hear.engine_util import Level, as_float
from logger_app.records.calls import Flag

TONE = np.sin(2 * np.pi * 300 * np.arange(32_000) / 16_000)


def pcm(sound):
    return np.clip(np.rint(sound * 32768), -32768, 32767).astype(np.int16)


def test_ordinary_sound_is_left_as_it_is():
    level = Level()
    taken = np.concatenate([level.take(block) for block in np.split(pcm(0.3 * TONE), 20)])

    assert taken == pytest.approx(0.3 * TONE, abs=1e-4)
    assert () == level.flags(0, 100)


def test_very_quiet_sound_is_raised_and_said():
    level = Level()
    blocks = [level.take(block) for block in np.split(pcm(0.001 * TONE), 20)]

    assert np.abs(blocks[-1]).max() > 0.01
    assert (Flag.TOO_QUIET,) == level.flags(0, 100)
    assert np.abs(as_float(pcm(0.001 * TONE))).max() > 0.01


def test_clipped_sound_is_said():
    level = Level()
    level.take(pcm(3 * TONE))

    assert (Flag.CLIPPED,) == level.flags(0, 100)


def test_a_steady_offset_goes():
    level = Level()
    taken = np.concatenate([level.take(block) for block in np.split(pcm(0.1 * TONE + 0.4), 100)])

    assert abs(taken[-8000:].mean()) < 0.01
    assert abs(as_float(pcm(0.1 * TONE + 0.4)).mean()) < 1e-3


def test_silence_and_nothing_do_no_harm():
    level = Level()

    assert not level.take(np.zeros(5000, np.int16)).any()
    assert 0 == len(level.take(np.zeros(0, np.int16)))
    assert not as_float(np.zeros(100, np.int16)).any()
    assert 0 == len(as_float(np.zeros(0, np.int16)))


def test_forgotten_frames_are_not_asked_for():
    level = Level()
    level.take(pcm(3 * TONE))
    level.forget(60)

    assert (Flag.CLIPPED,) == level.flags(60, 90)
