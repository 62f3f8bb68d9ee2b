"""Does the grid lie on the tufts? Where each yarn is fixed, found in the pictures; a grid that is a little off is followed. Pure.

A small network says of each sample of a patch how like a root it is. All stations together then say how far the
grid is off: first one shift for all, then each corner a little. Where they do not agree, the grid does not fit.

Main names: `Fit`, `fit_grid`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from logger_app.domain.wing_plane import mapped
from logger_app.sync.tuft_features import ROOT_SIDE, SIDE, Look, root_layers
from logger_app.sync.tuft_weights_io import Layers, weights

MAX_SHIFT = 0.55  # of half a patch: farther, the next tuft could be meant
NEAR = 4  # samples around where a root is expected
CORNER_FREE, ROOT_SCATTER = (
    0.15,
    0.07,
)  # standard deviations of a corner beside the common shift, and of a found root [half patches]
FLOOR = -4.0  # of a log odds: one hidden tuft must not outvote the others


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Where roots are, from the middles of the patches along span and chord, in half patches, shape (n, 2).

    `agreement` is the mean chance that a root is where the grid, as followed, has it; `moved_px` how far the
    stations were moved in the picture, on average.
    """

    roots: np.ndarray
    agreement: float
    moved_px: float


def fit_grid(look: Look) -> Fit:
    """Follow a grid that is a little off."""
    odds = np.stack([_log_odds(look, k) for k in range(len(look.at))])
    jacobians = _jacobians(look)
    inverse = np.linalg.inv(jacobians)
    middle = jacobians[np.argmin(np.linalg.norm(look.at - 0.5, axis=1))]
    steps = np.linspace(-MAX_SHIFT, MAX_SHIFT, 23)
    best, shift = -np.inf, np.zeros(2)
    for du in steps:
        for dv in steps:
            pixel = middle @ (du, dv)
            score = _score(odds, inverse @ pixel) - 0.5 * len(odds) * 0.1 * (du**2 + dv**2)
            if score > best:
                best, shift = score, pixel
    corners = np.tile(shift, (4, 1))
    shares = _shares(look.at)
    for _ in range(4):
        roots = np.einsum("nij,nj->ni", inverse, shares @ corners)
        found, weight = _peaks(odds, roots)
        corners = _solved(found, weight, shares, inverse, shift)
    roots = np.einsum("nij,nj->ni", inverse, shares @ corners)
    return Fit(
        roots=roots, agreement=_agreement(odds, roots), moved_px=float(np.linalg.norm(shares @ corners, axis=1).mean())
    )


def run_layers(layers: Layers, values: np.ndarray) -> np.ndarray:
    """A small network with rectified layers; the last one's sums, shape (n, n_out)."""
    for k, (matrix, bias) in enumerate(layers):
        values = values @ matrix + bias
        if k < len(layers) - 1:
            values = np.maximum(values, 0)
    return values


def _log_odds(look: Look, k: int) -> np.ndarray:
    layers = root_layers(look.contrast[k], look.noise[k], look.strength)
    padded = np.pad(layers, ((0, 0), (ROOT_SIDE // 2,) * 2, (ROOT_SIDE // 2,) * 2))
    windows = sliding_window_view(padded, (ROOT_SIDE, ROOT_SIDE), axis=(1, 2))
    flat = windows.transpose(1, 2, 0, 3, 4).reshape(SIDE * SIDE, -1)
    return run_layers(weights().roots, flat)[:, 0].reshape(SIDE, SIDE)


def _jacobians(look: Look) -> np.ndarray:
    """Pixels a half patch at each station, shape (n, 2, 2); columns along span and chord."""
    steps = [np.array((look.half[0], 0)), np.array((0, look.half[1]))]
    small = 0.05
    return np.stack(
        [
            (mapped(look.matrix, look.at + small * s) - mapped(look.matrix, look.at - small * s)) / (2 * small)
            for s in steps
        ],
        axis=2,
    )


def _shares(at: np.ndarray) -> np.ndarray:
    """How much each corner moves a station, shape (n, 4)."""
    u, v = at.T
    return np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=1)


def _samples(roots: np.ndarray) -> np.ndarray:
    return np.clip(np.rint((roots + 1) * (SIDE - 1) / 2).astype(int), 0, SIDE - 1)


def _score(odds: np.ndarray, roots: np.ndarray) -> float:
    at = _samples(roots)
    return float(np.maximum(odds[np.arange(len(odds)), at[:, 0], at[:, 1]], FLOOR).sum())


def _agreement(odds: np.ndarray, roots: np.ndarray) -> float:
    """The mean chance of a root within a sample of where it should be."""
    chances = []
    for one, (row, column) in zip(odds, _samples(roots)):
        near = one[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        chances.append(1 / (1 + np.exp(-near.max())))
    return float(np.mean(chances))


def _peaks(odds: np.ndarray, roots: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Near where roots are expected: where they are, and how sure that is."""
    found, weight = roots.copy(), np.zeros(len(roots))
    for k, (row, column) in enumerate(_samples(roots)):
        top, left = max(row - NEAR, 0), max(column - NEAR, 0)
        near = odds[k, top : row + NEAR + 1, left : column + NEAR + 1]
        chance = np.exp(near - near.max())
        rows, columns = np.indices(near.shape)
        total = chance.sum()
        found[k] = (
            2 * ((chance * rows).sum() / total + top) / (SIDE - 1) - 1,
            2 * ((chance * columns).sum() / total + left) / (SIDE - 1) - 1,
        )
        weight[k] = 1 / (1 + np.exp(-near.max()))
    return found, weight


def _solved(found, weight, shares, inverse, shift) -> np.ndarray:
    """Corner moves [px] that bring the stations nearest to the roots found; corners stay near the common shift."""
    n = len(found)
    rows = np.einsum("nij,nc->nicj", inverse, shares).reshape(2 * n, 8)
    scale = np.repeat(np.sqrt(weight) / ROOT_SCATTER, 2)
    mean = np.linalg.norm(np.linalg.inv(inverse), axis=1).mean(axis=0).mean()
    stiff = np.eye(8) / (CORNER_FREE * mean)
    left = np.vstack([rows * scale[:, None], stiff])
    right = np.concatenate([found.ravel() * scale, stiff @ np.tile(shift, 4)])
    return np.linalg.lstsq(left, right, rcond=None)[0].reshape(4, 2)
