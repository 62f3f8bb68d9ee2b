"""One model for a campaign: every interval, sentence, power and plan comes from it.

::

    speed of a run = cell (point, configuration, kind of stall)
                   + flight                     normal, sd `flight_sd`; the weight error of the flight beside it
                   + slope x (entry rate - 1)   one slope, with a prior
                   + run                        normal, sd `run_sd`, and the run's own uncertainty

Two standard deviations are not known: they are integrated over a grid, everything else in closed form, so a
posterior is a mixture of normals. Where a configuration flew on two flights or more the data say how far
flights differ; where not, the prior does, and that is said. Not for: choosing what to compare (see `compare`).
numpy only: the cockpit may use it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

CONFIDENCE = 0.95
POWER = 0.80
# Standard deviation of stalls repeated on one flight, the reading left out, and of whole flights of one
# configuration: other air, rigging, pilot of the day. Medians of their priors; common practice, no source. Both
# are settings of a campaign.
RUN_SD_KT = 0.7
FLIGHT_SD_KT = 0.35
# How wrong the first may be, the reading included: standard deviation of the logarithm (a factor of 2.2). The second
# follows a half Student distribution of so many degrees of freedom: flights that differ by 2 kt are rare, not
# impossible. Ours; what they were chosen on is in tests/bench/README.md.
RUN_SD_LOG_SD = 0.8
FLIGHT_SD_DF = 3.0
# Stall speed against entry rate [kt per kt/s]. Raw speeds: -0.8 to -1.2 on an independent flight model (the path
# curves down, load factor falls), less in most aeroplanes; with the load factor measured about 0. Ours.
RATE_SLOPES = {"measured_nz": (0.0, 0.4)}
RATE_SLOPE = (-0.7, 0.5)
# A run whose rate is not known may have had any of the usual ones: 0.3 kt/s of spread.
UNKNOWN_RATE_U_KT = 0.3

RUN_GRID_KT = np.geomspace(0.05, 8.0, 28)
FLIGHT_GRID_KT = np.concatenate([[0.0], np.geomspace(0.03, 6.0, 23)])
_NEGLIGIBLE = 1e-6
# A grid that is too coarse for what many runs say is made finer so many times at most.
MAX_REFINED = 4
# Chebyshev fit of the complementary error function, highest power first: fractional error below 1.2e-7 [PRESS1992].
_ERFC = (0.17087277, -0.82215223, 1.48851587, -1.13520398, 0.27886807, -0.18628806, 0.09678418, 0.37409196, 1.00002368,
         -1.26551223)  # fmt: skip
# Median of the absolute value of a Student variable, by degrees of freedom (tables of t, 75 % point).
_T75 = {3.0: 0.7649, 4.0: 0.7407, 5.0: 0.7267, 6.0: 0.7176, 8.0: 0.7064}


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is believed before any run: medians of the two scatters, and the slope with the entry rate.

    An infinite `run_sd_log_sd` stands for no belief at all (density 1 / sd). `flight_sd_kt` may be infinite:
    every scatter of flights is then as likely as every other.
    """

    run_sd_kt: float = RUN_SD_KT
    run_sd_log_sd: float = RUN_SD_LOG_SD
    flight_sd_kt: float = FLIGHT_SD_KT
    slope: tuple[float, float] = RATE_SLOPE

    def log_density(
        self, run_sd: np.ndarray = RUN_GRID_KT, flight_sd: np.ndarray = FLIGHT_GRID_KT, own_u_kt: float = 0.0
    ) -> np.ndarray:
        """Logarithm of the weight of every pair of a grid, shape (run, flight); `run_sd` in equal ratios.

        The belief is about what is seen, runs with the reading in them: their total scatter, stalls and a run's own
        uncertainty `own_u_kt` in quadrature, is log-normal about what both give together. A belief about the stalls
        alone takes a small scatter of few runs at its word.
        """
        total, middle = np.hypot(run_sd, own_u_kt), math.hypot(self.run_sd_kt, own_u_kt)
        run = -0.5 * (np.log(total / middle) / self.run_sd_log_sd) ** 2 + 2 * np.log(run_sd / total)
        steps = np.gradient(flight_sd)
        if math.isinf(self.flight_sd_kt):
            flight = np.log(steps)
        elif self.flight_sd_kt <= 0:
            flight = np.where(flight_sd == 0.0, 0.0, -np.inf)
        else:
            scale = self.flight_sd_kt / _T75[FLIGHT_SD_DF]
            flight = np.log(steps) - (FLIGHT_SD_DF + 1) / 2 * np.log1p((flight_sd / scale) ** 2 / FLIGHT_SD_DF)
        return run[:, None] + flight[None, :]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """A value known as a mixture of normals: weights, means and standard deviations."""

    weight: np.ndarray
    mean: np.ndarray
    sd: np.ndarray

    @property
    def value(self) -> float:
        """Its mean."""
        return float(self.weight @ self.mean)

    @property
    def u(self) -> float:
        """Its standard deviation."""
        return math.sqrt(float(self.weight @ (self.sd**2 + (self.mean - self.value) ** 2)))

    def below(self, at: float) -> float:
        """Probability of lying below a value."""
        return float(self.weight @ normal_cdf((at - self.mean) / self.sd))

    def quantile(self, share: float) -> float:
        """The value that it lies below with this probability."""
        reach = 12 * self.u + 1e-9
        low, high, guess = self.value - reach, self.value + reach, self.value
        for _ in range(100):
            z = (guess - self.mean) / self.sd
            off = float(self.weight @ normal_cdf(z)) - share
            low, high = (low, guess) if off > 0 else (guess, high)
            density = float(self.weight @ (np.exp(-0.5 * z * z) / self.sd)) / math.sqrt(2 * math.pi)
            step = guess - off / density if density > 0 else math.nan
            before, guess = guess, step if low < step < high else (low + high) / 2
            if abs(guess - before) < 1e-9:
                break
        return guess

    def interval(self, confidence: float = CONFIDENCE) -> tuple[float, float]:
        """The central interval of this probability."""
        return self.quantile(0.5 - confidence / 2), self.quantile(0.5 + confidence / 2)

    def p_against_zero(self) -> float:
        """Twice the probability of the wrong sign: below 0.05 exactly where the 95 % interval leaves out 0."""
        below = self.below(0.0)
        return min(1.0, 2 * min(below, 1 - below))


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Several differences of one posterior, to be right all at once.

    Parameters
    ----------
    members : sequence of Mixture
        Over the same scatters.
    common : ndarray of float64
        Variance that every two of them share, by scatter: the flights that they have in common [kt2].

    Notes
    -----
    Each interval is its mean plus and minus c standard deviations. Given the scatters a difference is one shared
    normal part plus one of its own, so that the chance of all intervals to hold is a one-dimensional integral over
    the shared part (Gauss-Hermite), summed over the scatters; c is found from it.
    """

    members: tuple[Mixture, ...]
    common: np.ndarray

    def covered(self, c: float) -> float:
        """Chance that all hold at once."""
        nodes, node_weight = np.polynomial.hermite_e.hermegauss(21)
        node_weight = node_weight / node_weight.sum()
        holds = np.ones((len(self.common), len(nodes)))
        for one in self.members:
            shared = np.minimum(self.common, 0.999 * one.sd**2)
            own = np.sqrt(one.sd**2 - shared)[:, None]
            offset = (one.mean - one.value)[:, None] + np.sqrt(shared)[:, None] * nodes
            holds *= normal_cdf((c * one.u - offset) / own) - normal_cdf((-c * one.u - offset) / own)
        return float(self.members[0].weight @ holds @ node_weight)

    def factor(self, confidence: float = CONFIDENCE) -> float:
        """How many standard deviations each interval reaches to both sides."""
        low, high = 1.0, 40.0
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (low, middle) if self.covered(middle) >= confidence else (middle, high)
        return high


@dataclass(frozen=True, slots=True, kw_only=True)
class RunData:
    """The runs of a campaign as numbers: one entry a run.

    `cell` and `flight` count from 0; `u_kt` is the run's own random uncertainty, `flight_u_kt` (one a flight) that
    of the weight, common to a flight; `rate_kt_per_s` may hold NaN; `cell_u_kt` (one a cell) is what all runs of a
    cell share and no repeat shows.
    """

    cell: np.ndarray
    flight: np.ndarray
    speed_kt: np.ndarray
    u_kt: np.ndarray
    rate_kt_per_s: np.ndarray
    flight_u_kt: np.ndarray
    cell_u_kt: np.ndarray | None = None


class Posterior:
    """What the runs say under a prior; see the module.

    Parameters
    ----------
    scatter_ratio : ndarray of float64, optional
        By cell: its runs scatter so many times as much as `run_sd` says.

    Notes
    -----
    With V = diag(run_sd^2 + u_i^2) + Z diag(flight_sd^2 + u_f^2) Z', the restricted likelihood of the two
    standard deviations is |V|^-1/2 |X'V^-1 X|^-1/2 exp(-r'V^-1 r / 2), times the prior; given them the effects
    are normal. Flights are eliminated one by one (V^-1 by Woodbury), so the work grows with runs and cells only.

    References
    ----------
    [PATTERSON1971] restricted likelihood; [BOXTIAO1973] ch. 5, integrating over both scatters.
    """

    def __init__(self, data: RunData, prior: Prior, scatter_ratio: np.ndarray | None = None):
        self.data, self.prior = data, prior
        self.cells, self.flights = int(data.cell.max()) + 1, len(data.flight_u_kt)
        ratio = np.ones(self.cells) if scatter_ratio is None else scatter_ratio
        known = np.isfinite(data.rate_kt_per_s)
        self._x = np.where(known, np.clip(data.rate_kt_per_s, 0.0, 5.0) - 1.0, 0.0)
        self._u2 = data.u_kt**2 + np.where(known, 0.0, UNKNOWN_RATE_U_KT) ** 2
        self._middle = _by_group(data.cell, self.cells, data.speed_kt) / _by_group(data.cell, self.cells)
        self._y = data.speed_kt - self._middle[data.cell]
        self._pair = data.flight * self.cells + data.cell
        self._ratio = ratio
        run_sd, flight_sd = RUN_GRID_KT, FLIGHT_GRID_KT
        for _ in range(MAX_REFINED):
            self._integrate(run_sd, flight_sd)
            finer = _finer(run_sd, self.run_sd, self.weight), _finer(flight_sd, self.flight_sd, self.weight)
            if finer[0] is None and finer[1] is None:
                break
            run_sd = run_sd if finer[0] is None else finer[0]
            flight_sd = flight_sd if finer[1] is None else finer[1]

    def _integrate(self, run_sd: np.ndarray, flight_sd: np.ndarray) -> None:
        """Weights and effects over a grid of both scatters; what weighs nothing is dropped."""
        log_weight = self.prior.log_density(run_sd, flight_sd, math.sqrt(float(np.median(self._u2))))
        solved: list[_Solved] = []
        for k, s in enumerate(run_sd):
            solved.append(self._solve(self._sums(1 / ((s * self._ratio[self.data.cell]) ** 2 + self._u2)), flight_sd))
            log_weight[k] += solved[k].log_likelihood
        weight = np.exp(log_weight - log_weight.max())
        kept = weight > _NEGLIGIBLE * weight.max()
        self.weight = weight[kept] / weight[kept].sum()
        self.run_sd = np.broadcast_to(run_sd[:, None], kept.shape)[kept]
        self.flight_sd = np.broadcast_to(flight_sd, kept.shape)[kept]
        self._solved = [found.part(row) for found, row in zip(solved, kept) if row.any()]

    def _sums(self, w: np.ndarray) -> _Sums:
        """Everything that depends on the runs' weights alone."""
        cell, x, y, size = self.data.cell, self._x, self._y, self.cells
        shape = (self.flights, size)
        table = np.empty((self.flights, size + 1))
        table[:, :size] = _by_group(self._pair, self.flights * size, w).reshape(shape)
        table[:, size] = _by_group(self.data.flight, self.flights, w * x)
        normal = np.zeros((size + 1, size + 1))
        normal.flat[: -(size + 1) : size + 2] = _by_group(cell, size, w)
        normal[:size, size] = normal[size, :size] = _by_group(cell, size, w * x)
        normal[size, size] = float(w @ (x * x)) + 1 / self.prior.slope[1] ** 2
        right = np.append(
            _by_group(cell, size, w * y), float(w @ (x * y)) + self.prior.slope[0] / self.prior.slope[1] ** 2
        )
        return _Sums(
            normal=normal,
            right=right,
            square=float(w @ (y * y)) + (self.prior.slope[0] / self.prior.slope[1]) ** 2,
            log_w=float(np.log(w).sum()),
            table=table,
            total=_by_group(self.data.flight, self.flights, w),
            speeds=_by_group(self.data.flight, self.flights, w * y),
        )

    def _solve(self, sums: _Sums, tau: np.ndarray) -> _Solved:
        """Effects and restricted likelihood for one scatter of runs and several of flights."""
        spread = tau[:, None] ** 2 + self.data.flight_u_kt**2
        taken = spread / (1 + spread * sums.total)
        precision = sums.normal - (sums.table.T * taken[:, None, :]) @ sums.table
        right = sums.right - (taken * sums.speeds) @ sums.table
        covariance = np.linalg.inv(precision)
        beta = (covariance @ right[:, :, None])[:, :, 0]
        misfit = sums.square - taken @ sums.speeds**2 - (right * beta).sum(axis=1)
        log_v = np.log1p(spread * sums.total).sum(axis=1) - sums.log_w
        return _Solved(
            tau=tau,
            beta=beta,
            covariance=covariance,
            log_likelihood=-0.5 * (log_v + np.linalg.slogdet(precision)[1] + misfit),
            taken=taken,
            table=sums.table,
            speeds=sums.speeds,
        )

    def log_likelihood(self, run_sd_kt: float, flight_sd_kt: float) -> float:
        """Restricted log likelihood of a pair of scatters, but for a constant."""
        sums = self._sums(1 / (run_sd_kt**2 + self._u2))
        return float(self._solve(sums, np.array([flight_sd_kt])).log_likelihood[0])

    def change(self, plus: Sequence[int], minus: Sequence[int]) -> Mixture:
        """Mean of some cells less that of others, for any flights: what can be said of the change."""
        return self._mixture(self._contrast(plus, minus), np.zeros(self.flights))

    def flown(
        self, plus: Sequence[int], minus: Sequence[int], flights_plus: Sequence[int], flights_minus: Sequence[int]
    ) -> Mixture:
        """As `change`, for the flights that were flown: their own effects are part of what differed."""
        share = np.zeros(self.flights)
        share[list(flights_plus)] += 1 / len(flights_plus)
        share[list(flights_minus)] -= 1 / len(flights_minus)
        return self._mixture(self._contrast(plus, minus), share)

    def family(self, pairs: Sequence[tuple[Sequence[int], Sequence[int]]]) -> Family:
        """Several changes, each (cells of one, cells of the other), to be right all at once."""
        contrasts = [self._contrast(plus, minus) for plus, minus in pairs]
        common = np.zeros(len(self.weight))
        if len(contrasts) > 1:
            total, each = np.sum(contrasts, axis=0), np.array(contrasts)
            place = 0
            for found in self._solved:
                last = place + len(found.tau)
                all_of_it = (total @ found.covariance) @ total
                single = ((each @ found.covariance) * each).sum(axis=(1, 2))
                common[place:last] = (all_of_it - single) / (len(contrasts) * (len(contrasts) - 1))
                place = last
        return Family(members=tuple(self.change(plus, minus) for plus, minus in pairs), common=np.maximum(common, 0.0))

    def slope(self) -> Mixture:
        """Stall speed against entry rate [kt per kt/s]."""
        contrast = np.zeros(self.cells + 1)
        contrast[-1] = 1.0
        return self._mixture(contrast, np.zeros(self.flights))

    def run_sd_kt(self) -> tuple[float, float, float]:
        """Scatter of repeated stalls: middle, and 95 % bounds [kt]."""
        return _weighted_quantiles(self.run_sd, self.weight)

    def flight_sd_kt(self) -> tuple[float, float, float]:
        """Scatter of flights of one configuration: middle, and 95 % bounds [kt]."""
        return _weighted_quantiles(self.flight_sd, self.weight)

    def scatter_of_cells(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean square of the residuals about flight and cell, in units of what is expected, and its freedom, by cell."""
        best = int(np.argmax(self.weight))
        w = 1 / (self.run_sd[best] ** 2 + self._u2)
        straight = self._y - self._x * self.slope().value
        pairs = self.flights * self.cells
        held = _by_group(self._pair, pairs, w)
        mean = _by_group(self._pair, pairs, w * straight) / np.where(held > 0, held, 1.0)
        squares = _by_group(self.data.cell, self.cells, w * (straight - mean[self._pair]) ** 2)
        there = (held > 0).reshape(self.flights, self.cells).sum(axis=0)
        freedom = _by_group(self.data.cell, self.cells) - there
        return squares / np.maximum(freedom, 1), freedom

    def _contrast(self, plus: Sequence[int], minus: Sequence[int]) -> np.ndarray:
        contrast = np.zeros(self.cells + 1)
        for cells, sign in ((plus, 1.0), (minus, -1.0)):
            if len(cells):
                contrast[list(cells)] += sign / len(cells)
        return contrast

    def _mixture(self, contrast: np.ndarray, share: np.ndarray) -> Mixture:
        level = float(contrast[:-1] @ self._middle)
        shared2 = 0.0 if self.data.cell_u_kt is None else float(contrast[:-1] ** 2 @ self.data.cell_u_kt**2)
        own2 = self.data.flight_u_kt**2
        means, variances = [], []
        for found in self._solved:
            tau2 = found.tau[:, None] ** 2
            spread = tau2 + own2
            real = np.divide(tau2, spread, out=np.zeros_like(spread), where=spread > 0)
            part = share * real * found.taken  # of what is left over in a flight, that is its own effect
            b = contrast - part @ found.table
            means.append(level + (b * found.beta).sum(axis=1) + part @ found.speeds)
            left = ((share * real) ** 2 * found.taken + share**2 * real * own2).sum(axis=1)
            variances.append(((b[:, None, :] @ found.covariance)[:, 0, :] * b).sum(axis=1) + left + shared2)
        return Mixture(weight=self.weight, mean=np.concatenate(means), sd=np.sqrt(np.concatenate(variances)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    normal: np.ndarray
    right: np.ndarray
    square: float
    log_w: float
    table: np.ndarray
    total: np.ndarray
    speeds: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solved:
    """For one scatter of runs, and along the first axis several of flights."""

    tau: np.ndarray
    beta: np.ndarray
    covariance: np.ndarray
    log_likelihood: np.ndarray
    taken: np.ndarray
    table: np.ndarray
    speeds: np.ndarray

    def part(self, kept: np.ndarray) -> _Solved:
        """Only some of the scatters of flights."""
        along = {name: getattr(self, name)[kept] for name in ("tau", "beta", "covariance", "log_likelihood", "taken")}
        return replace(self, **along)


def _by_group(group: np.ndarray, size: int, values: np.ndarray | None = None) -> np.ndarray:
    return np.bincount(group, values, minlength=size)


def normal_cdf(z: np.ndarray) -> np.ndarray:
    """Standard normal distribution function to 1e-7, without scipy [PRESS1992] erfcc, coefficients from memory."""
    x = np.abs(z) * math.sqrt(0.5)
    t = 1 / (1 + 0.5 * x)
    series = np.zeros_like(t)
    for coefficient in _ERFC:
        series = series * t + coefficient
    tail = 0.5 * t * np.exp(series - x * x)
    return np.where(z < 0, tail, 1 - tail)


def normal_quantile(share: float) -> float:
    """Its inverse."""
    return NormalDist().inv_cdf(share)


def _finer(grid: np.ndarray, at: np.ndarray, weight: np.ndarray) -> np.ndarray | None:
    """A grid over the part that holds the weight, where that is a few steps only; None where it is fine enough."""
    mean = float(weight @ at)
    spread = math.sqrt(max(float(weight @ (at - mean) ** 2), 0.0))
    near = int(np.clip(np.searchsorted(grid, mean), 1, len(grid) - 1))
    step = float(grid[near] - grid[near - 1])
    if spread > 0.8 * step or len(np.unique(at)) == 1 and mean == 0.0:
        return None
    reach = max(5 * spread, 1.5 * step)
    low = max(mean - reach, float(grid[0]), 1e-3 if grid[0] > 0 else 0.0)
    return np.geomspace(low, mean + reach, len(grid)) if grid[0] > 0 else np.linspace(low, mean + reach, len(grid))


def _weighted_quantiles(values: np.ndarray, weight: np.ndarray) -> tuple[float, float, float]:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order]) - 0.5 * weight[order]
    middle, low, high = np.interp([0.5, 0.025, 0.975], reached, values[order])
    return float(middle), float(low), float(high)
