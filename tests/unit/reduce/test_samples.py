"""A trace between and beyond its samples."""

import numpy as np
import pytest

from logger_app.reduce.samples import Trace

TRACE = Trace(
    source="t",
    time_s=np.array([0.0, 1.0, 3.0, 5.5, 6.5]),
    columns={
        "ias_kt": np.array([60.0, 58.0, 54.0, 50.0, 49.0]),
        "oat_degc": np.array([np.nan, 8.0, np.nan, np.nan, 6.0]),
    },
)


@pytest.mark.parametrize(
    "time_s, expected",
    [
        (0.5, 59.0),
        (1.0, 58.0),
        (2.0, 56.0),  # a hole of just 2 s
        (4.0, None),  # a hole of 2.5 s
        (6.0, 49.5),
        (6.5, 49.0),
        (6.6, None),
        (-0.1, None),
    ],
)
def test_between_samples_across_holes_and_beyond_the_ends(time_s, expected):
    assert TRACE.at("ias_kt", time_s) == expected


def test_what_is_missing_is_a_hole_too():
    assert TRACE.at("oat_degc", 3.0) is None
    assert TRACE.at("altitude_ft", 1.0) is None
