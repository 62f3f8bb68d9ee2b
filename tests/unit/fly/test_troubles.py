"""When missing sound is an alarm."""

import pytest

from logger_app.fly.troubles import NO_SOUND_S, SILENT_LATER_S, SoundWatch


def test_no_block_for_two_seconds_is_an_alarm_from_the_start_on():
    watch = SoundWatch(100.0)

    assert NO_SOUND_S == 2.0
    assert watch.trouble(101.9) == ""
    assert "no sound" in watch.trouble(102.1)


def test_sound_that_stops_is_an_alarm_and_sound_that_comes_back_ends_it():
    watch = SoundWatch(0.0)
    for k in range(100):
        watch.block(0.05 * k, peak=500)

    assert watch.trouble(5.0) == ""
    assert "no sound" in watch.trouble(7.0)
    watch.block(7.1, peak=500)
    assert watch.trouble(7.2) == ""


@pytest.mark.parametrize("peak, silent", [(0, True), (2, True), (3, False)])
def test_exact_silence_from_the_start_is_an_alarm(peak, silent):
    watch = SoundWatch(0.0)
    for k in range(1, 60):
        watch.block(0.05 * k, peak=peak)

    assert bool(watch.trouble(2.96)) is silent
    assert watch.heard_anything is not silent


def test_a_noise_gate_may_close_between_sentences():
    watch = SoundWatch(0.0)
    watch.block(0.1, peak=900)
    for k in range(2, 800):
        watch.block(0.05 * k, peak=0)
        assert bool(watch.trouble(0.05 * k)) is (0.05 * k - 0.1 > SILENT_LATER_S)
