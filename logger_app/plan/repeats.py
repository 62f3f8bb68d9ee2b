"""How many runs a point needs, and what a number of runs can show.

Pure. Two configurations, the same number of runs each, scatter alike: the two-sided t test.
Main names: `runs_needed`, `smallest_difference_kt`.
"""

from __future__ import annotations

import math
from functools import cache

POWER = 0.80
ALPHA = 0.05
MAX_RUNS = 1000


@cache
def runs_needed(difference_kt: float, scatter_kt: float) -> int:
    """Runs at each of two configurations to see a difference four times out of five.

    Parameters
    ----------
    difference_kt : float
        Smallest difference worth knowing, more than 0 [kt].
    scatter_kt : float
        Standard deviation of repeated runs, more than 0 [kt].

    Notes
    -----
    Power 80 %, two-sided 5 %, from the noncentral t distribution with 2n - 2 degrees of freedom.

    Examples
    --------
    >>> runs_needed(1.0, 0.7), runs_needed(2.0, 0.7)
    (9, 4)
    """
    low, high = 2, MAX_RUNS
    while low < high:
        middle = (low + high) // 2
        if _power(middle, difference_kt / scatter_kt) >= POWER:
            high = middle
        else:
            low = middle + 1
    return low


@cache
def smallest_difference_kt(runs: int, scatter_kt: float) -> float:
    """Smallest difference that a number of runs shows four times out of five.

    Parameters
    ----------
    runs : int
        Runs at each of the two configurations.
    scatter_kt : float
        Standard deviation of repeated runs [kt].

    Returns
    -------
    float
        Difference [kt]; infinite for fewer than two runs.
    """
    if runs < 2:
        return math.inf
    low, high = 0.0, 20.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (low, middle) if _power(runs, middle) >= POWER else (middle, high)
    return high * scatter_kt


def _power(runs: int, effect: float) -> float:
    """Probability of a significant result; `effect` is the difference over the scatter."""
    from scipy.special import nctdtr, stdtrit  # here: reading a campaign must not load scipy

    df = 2 * runs - 2
    bound = stdtrit(df, 1 - ALPHA / 2)
    shift = effect * math.sqrt(runs / 2)
    # The other tail is left out once it is far away: the function is not reliable there.
    below = nctdtr(df, shift, -bound) if shift < 3 else 0.0
    return float(1 - nctdtr(df, shift, bound) + below)
