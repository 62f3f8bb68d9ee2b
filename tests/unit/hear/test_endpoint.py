"""Beginning and end of speech."""

import numpy as np

from logger_app.hear.endpoint import Endpoint, edges, nearest


def starts(activity):
    endpoint = Endpoint()
    return [k for k, one in enumerate(activity) if endpoint.step(one)], endpoint


def test_speech_begins_where_it_began_not_where_it_was_noticed():
    noticed, endpoint = starts([0.1] * 5 + [0.9] * 4)

    assert [6] == noticed
    assert 5 == endpoint.start


def test_a_click_is_no_speech():
    assert [] == starts([0.1, 0.9, 0.1, 0.9, 0.1])[0]


def test_quiet_is_counted_from_the_last_speech():
    _, endpoint = starts([0.9] * 3 + [0.1] * 7)

    assert 7 == endpoint.quiet_frames


def test_a_second_stretch_begins_after_the_first_is_closed():
    endpoint = Endpoint()
    for one in [0.9] * 4 + [0.1] * 6:
        endpoint.step(one)
    endpoint.close()

    assert [False, True] == [endpoint.step(0.9), endpoint.step(0.9)]


def test_edges_and_the_nearest_of_them():
    rises, falls = edges(np.array([0, 1, 1, 0, 0, 1, 0], float))

    assert ([1, 5], [3, 6]) == (rises.tolist(), falls.tolist())
    assert 5.0 == nearest(rises, 4.0, 2)
    assert 9.0 == nearest(rises, 9.0, 2)
