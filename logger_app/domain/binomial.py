"""How often something happened, of so many tries: the exact interval, and the exact test of two such counts. Pure.

Main names: `clopper_pearson`, `counts_differ_p`.
"""

from __future__ import annotations

import math


def clopper_pearson(happened: int, n: int) -> tuple[float, float]:
    """Exact two-sided 95 % interval of a proportion.

    Returns
    -------
    tuple of float
        Low and high, 0 to 1; (0, 1) where nothing was tried.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> [round(bound, 3) for bound in clopper_pearson(9, 10)]
    [0.555, 0.997]
    """
    from scipy.special import betaincinv  # here: the cockpit never loads scipy

    if n == 0:
        return 0.0, 1.0
    tail = 0.025
    low = 0.0 if happened == 0 else float(betaincinv(happened, n - happened + 1, tail))
    high = 1.0 if happened == n else float(betaincinv(happened + 1, n - happened, 1 - tail))
    return low, high


def counts_differ_p(reference: tuple[int, int], changed: tuple[int, int]) -> float:
    """Whether what was counted once differs from what was counted another time: exact two-sided test of a 2 x 2 table.

    Parameters
    ----------
    reference : (int, int)
        Of the reference how many one way and how many the other: drops to the left and right, runs with a drop and without.

    References
    ----------
    [FISHER1922] exact test, hypergeometric.

    Examples
    --------
    >>> round(counts_differ_p((4, 0), (0, 4)), 4)
    0.0286
    """
    rows, columns = (sum(reference), sum(changed)), (reference[0] + changed[0], reference[1] + changed[1])
    first, last = max(0, columns[0] - rows[1]), min(rows[0], columns[0])
    # Whole-number weights, so that "as unlikely as observed" needs no tolerance; each from the one
    # before, for a binomial of thousands is costly.
    observed = math.comb(rows[0], reference[0]) * math.comb(rows[1], changed[0])
    ways, as_unlikely = math.comb(rows[0], first) * math.comb(rows[1], columns[0] - first), 0
    for left in range(first, last + 1):
        as_unlikely += ways if ways <= observed else 0
        ways = ways * (rows[0] - left) * (columns[0] - left) // ((left + 1) * (rows[1] - columns[0] + left + 1))
    return as_unlikely / math.comb(sum(rows), columns[0])
