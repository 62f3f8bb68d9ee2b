"""Intervals of means, Welch, least squares.

Thin, checked against scipy and statsmodels in the tests. Not for: deciding what to compare
(see `compare`) or fitting an approach (see `approach`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.errors import BadQuantity, OutsideValidity, TooFewCalls

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value with its standard error, degrees of freedom, interval and two-sided p against 0."""

    value: float
    se: float
    df: float
    low: float
    high: float
    p: float


def estimate(value: float, se: float, df: float, confidence: float = CONFIDENCE) -> Estimate:
    """A Student interval and p-value around a value.

    Parameters
    ----------
    df : float
        Degrees of freedom; infinity for a normal.

    Raises
    ------
    BadQuantity
        The standard error is negative or there are no degrees of freedom.

    References
    ----------
    [TN1297] app. B, expanded uncertainty from the t-distribution.
    """
    from scipy import special  # late: scipy is slow to import and the cockpit never needs it

    if not (se >= 0 and df > 0):
        raise BadQuantity(f"standard error {se:g} with {df:g} degrees of freedom; needs 0 or more, with more than 0")
    quantile = special.ndtri if math.isinf(df) else (lambda q: special.stdtrit(df, q))
    half = float(quantile(0.5 + confidence / 2)) * se
    if se == 0:
        p = 1.0 if value == 0 else 0.0
    else:
        z = -abs(value) / se
        p = float(2 * (special.ndtr(z) if math.isinf(df) else special.stdtr(df, z)))
    return Estimate(value=value, se=se, df=df, low=value - half, high=value + half, p=p)


def mean_interval(values: Sequence[float], confidence: float = CONFIDENCE) -> Estimate:
    """Mean of repeats with its Student interval.

    Returns
    -------
    Estimate
        Mean, s / sqrt(n), n - 1 and the bounds.

    Raises
    ------
    TooFewCalls
        Fewer than two values.

    References
    ----------
    [TN1297] sec. 3 and app. B.

    Examples
    --------
    >>> e = mean_interval([48.0, 49.0, 47.5, 48.5, 48.0])
    >>> round(e.value, 3), round(e.high - e.value, 3)
    (48.2, 0.708)
    """
    if len(values) < 2:
        raise TooFewCalls(f"{len(values)} value(s); an interval needs at least 2")
    return estimate(
        float(np.mean(values)), float(np.std(values, ddof=1)) / math.sqrt(len(values)), len(values) - 1, confidence
    )


def weighted_mean(values: Sequence[float], u: Sequence[float]) -> tuple[float, float]:
    """Mean of values that are not known equally well, with weights that neither one precise value nor an outlier owns.

    Returns
    -------
    (float, float)
        The mean and its standard uncertainty, not less than the scatter of the values asks for.

    Notes
    -----
    Weights 1 / (u_i^2 + s^2), s^2 the variance between the values beyond their uncertainties (DerSimonian and Laird);
    a value beyond 3 sd of the median counts as if it stood there.

    References
    ----------
    [DERSIMONIAN1986] method of moments for s^2.

    Examples
    --------
    >>> value, u = weighted_mean([1.30, 1.34, 1.32], [0.02, 0.04, 0.02])
    >>> round(value, 3), round(u, 3)
    (1.313, 0.013)
    """
    x, sigma = np.asarray(values, float), np.maximum(np.asarray(u, float), 1e-9)
    middle = float(np.median(x))
    reach = 3 * np.hypot(sigma, 1.4826 * float(np.median(np.abs(x - middle))))
    x = np.clip(x, middle - reach, middle + reach)
    w = 1 / sigma**2
    mean = float(w @ x / w.sum())
    excess = float(w @ (x - mean) ** 2) - (len(x) - 1)
    between = max(0.0, excess / float(w.sum() - (w**2).sum() / w.sum())) if len(x) > 1 else 0.0
    w = 1 / (sigma**2 + between)
    return float(w @ x / w.sum()), math.sqrt(1 / float(w.sum()))


def welch(reference: Sequence[float], changed: Sequence[float]) -> Estimate:
    """Difference of two means without assuming equal variances.

    Parameters
    ----------
    reference : sequence of float
        Repeats of the reference, at least two.
    changed : sequence of float
        Repeats of the changed configuration, at least two.

    Returns
    -------
    Estimate
        Changed minus reference, with Welch-Satterthwaite degrees of freedom.

    Raises
    ------
    TooFewCalls
        A side has fewer than two values.

    References
    ----------
    [WELCH1947].

    Examples
    --------
    >>> e = welch([48.0, 49.0, 47.5, 48.5, 48.0], [45.5, 46.5, 46.0, 45.0, 46.0])
    >>> round(e.value, 3), round(e.low, 3), round(e.high, 3)
    (-2.4, -3.231, -1.569)
    """
    if min(len(reference), len(changed)) < 2:
        raise TooFewCalls(f"{len(reference)} and {len(changed)} value(s); a comparison needs 2 of each")
    terms = [(float(np.var(side, ddof=1)) / len(side), len(side) - 1.0) for side in (reference, changed)]
    se, df = combine_uncertainties(terms)
    return estimate(float(np.mean(changed) - np.mean(reference)), se, df)


def combine_uncertainties(terms: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Variances added up, with effective degrees of freedom.

    Parameters
    ----------
    terms : sequence of (float, float)
        Variance and degrees of freedom (infinity if known) of each part.

    Returns
    -------
    (float, float)
        Standard uncertainty and effective degrees of freedom.

    Notes
    -----
    df = u^4 / sum(u_i^4 / df_i). With no variance at all, the smallest df of the parts.

    References
    ----------
    [WELCH1947]; [TN1297] app. B.3, Welch-Satterthwaite.
    """
    total = sum(variance for variance, _ in terms)
    if total == 0:
        return 0.0, min((df for _, df in terms), default=math.inf)
    bottom = sum((variance / total) ** 2 / df for variance, df in terms)
    return math.sqrt(total), (1 / bottom if bottom > 0 else math.inf)


def least_squares(design: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """Ordinary least squares.

    Parameters
    ----------
    design : ndarray of float64, shape (n, k)
        One row a value, one column a coefficient.

    Returns
    -------
    (ndarray, ndarray, int)
        Coefficients (k,), their covariance (k, k), degrees of freedom n - k.

    Raises
    ------
    TooFewCalls
        No more values than coefficients, or columns that say the same.

    References
    ----------
    [TN1297] app. A on regression as a Type A evaluation.
    """
    n, k = design.shape
    if n <= k or np.linalg.matrix_rank(design) < k:
        raise TooFewCalls(f"{n} values cannot determine {k} coefficients")
    q, r = np.linalg.qr(design)
    coefficients = np.linalg.solve(r, q.T @ values)
    residual = values - design @ coefficients
    inverse = np.linalg.inv(r)
    return coefficients, inverse @ inverse.T * float(residual @ residual) / (n - k), n - k


def line_at(
    x: Sequence[float], y: Sequence[float], at: float, confidence: float = CONFIDENCE
) -> tuple[Estimate, float]:
    """Straight line through points, read at one place: stall speed against entry rate at 1 kt/s.

    Parameters
    ----------
    at : float
        Where to read, inside the span of `x`.

    Returns
    -------
    (Estimate, float)
        The fitted mean at `at` with its standard error, and the slope.

    Raises
    ------
    TooFewCalls
        Fewer than three points, or all at one `x`.
    OutsideValidity
        `at` lies outside the span of `x`: no extrapolation.

    References
    ----------
    [AC25-7] (from memory) stall speed against entry rate, read at 1 kt/s.

    Examples
    --------
    >>> e, slope = line_at([0.6, 0.8, 1.0, 1.2, 1.5, 1.9], [49.3, 49.0, 48.7, 48.5, 48.0, 47.4], 1.0)
    >>> round(e.value, 3), round(slope, 2)
    (48.725, -1.45)
    """
    if not min(x) <= at <= max(x):
        raise OutsideValidity(f"{at:g} is outside the flown {min(x):.2f} to {max(x):.2f}; no extrapolation")
    offset = np.asarray(x, float) - at
    coefficients, covariance, df = least_squares(np.column_stack([np.ones_like(offset), offset]), np.asarray(y, float))
    return estimate(float(coefficients[0]), math.sqrt(covariance[0, 0]), df, confidence), float(coefficients[1])
