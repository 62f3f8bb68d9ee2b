"""The exact interval of a proportion: how often something happened, of so many tries. Pure. Main name: `clopper_pearson`."""

from __future__ import annotations


def clopper_pearson(happened: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a proportion.

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
    tail = (1 - confidence) / 2
    low = 0.0 if happened == 0 else float(betaincinv(happened, n - happened + 1, tail))
    high = 1.0 if happened == n else float(betaincinv(happened + 1, n - happened, 1 - tail))
    return low, high
