"""The numbers that a waveform is drawn from."""

import numpy as np

from logger_app.review.peaks import peaks


def test_each_column_holds_its_lowest_and_highest_sample():
    pcm = np.array([0, 5, -7, 3, 100, -100, 1, 2], np.int16)

    assert (peaks(pcm, 4) * 32768).tolist() == [[0, 5], [-7, 3], [-100, 100], [1, 2]]


def test_more_columns_than_samples_and_no_sound():
    assert peaks(np.array([9, -9], np.int16), 5).shape == (5, 2)
    assert not peaks(np.zeros(0, np.int16), 3).any()
    assert peaks(np.zeros(5, np.int16), 0).shape == (0, 2)


def test_the_loudest_sample_is_never_lost():
    pcm = np.random.default_rng(0).integers(-30000, 30000, 100_003).astype(np.int16)
    drawn = peaks(pcm, 701) * 32768

    assert (drawn.min(), drawn.max()) == (pcm.min(), pcm.max())


def test_every_column_of_a_sound_with_hardly_a_sample_each():
    # Two samples over five columns: no column goes beyond the sound, the last holds the last sample.
    drawn = peaks(np.array([9, -9], np.int16), 5) * 32768

    assert drawn[0].tolist() == [9, 9] and drawn[-1].tolist() == [-9, -9]


def test_one_column_holds_it_all():
    assert (peaks(np.array([3, -4, 5], np.int16), 1) * 32768).tolist() == [[-4, 5]]
