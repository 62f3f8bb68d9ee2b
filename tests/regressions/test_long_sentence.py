"""A read sentence has more phones than a call; its words must be found all the same."""

import numpy as np

from logger_app.hear.net import BLANK, OUTPUTS
from logger_app.hear.rescore import word_frames


def test_words_of_a_spelling_of_a_hundred_phones_are_timed():
    """An 8-bit step was taken from the place in the path, which overflowed beyond 63 phones."""
    phones = [1 + k % 2 for k in range(100)]
    log_p = np.full((300, OUTPUTS), -20.0)
    log_p[:, BLANK] = -5.0
    for k, phone in enumerate(phones):
        log_p[3 * k + 1, phone] = -0.01

    words = word_frames([(phone, k // 10) for k, phone in enumerate(phones)], log_p)

    assert words == [(30 * k + 1, 30 * k + 28) for k in range(10)]
