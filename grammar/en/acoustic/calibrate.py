"""From how well calls were explained, and whether they were right, to a calibrated belief: `fit`.

The measures are those of `logger_app.hear.gate`; ``tests/bench/calibrate.py`` collects them on voices that are
in no training and in no reported test, and writes ``conf.json``.
"""

from __future__ import annotations

import numpy as np

RIDGE = 1e-2
LOSS = 0.03  # share of right answers that the acceptance threshold may cost


def fit(measured: np.ndarray, right: np.ndarray, weight: np.ndarray | None = None) -> dict[str, list[float]]:
    """Logistic regression with a little ridge, by Newton's method.

    Parameters
    ----------
    measured : ndarray, shape (n, 7)
        From `gate.measures`; the first column is 1.
    right : ndarray of bool, shape (n,)
        Whether the call was the one spoken.

    Returns
    -------
    dict
        ``w`` (7), ``mu`` and ``sd`` (6), as `gate.Gate.from_conf` reads them.
    """
    weight = np.ones(len(right)) if weight is None else weight / weight.mean()
    mean, spread = measured[:, 1:].mean(0), measured[:, 1:].std(0) + 1e-6
    x = np.concatenate([measured[:, :1], (measured[:, 1:] - mean) / spread], 1)
    w = np.zeros(x.shape[1])
    for _ in range(80):
        p = 1 / (1 + np.exp(-np.clip(x @ w, -40, 40)))
        curvature = x.T @ (x * (weight * (p * (1 - p) + 1e-6))[:, None]) + RIDGE * np.eye(len(w))
        w -= np.linalg.solve(curvature, x.T @ (weight * (p - right)) + RIDGE * w)
    return {"w": w.tolist(), "mu": mean.tolist(), "sd": spread.tolist()}


def believe(conf: dict, measured: np.ndarray) -> np.ndarray:
    """Belief of each row of measures under a fitted `conf`, shape (n,)."""
    x = np.concatenate([measured[:, :1], (measured[:, 1:] - conf["mu"]) / np.asarray(conf["sd"])], 1)
    return 1 / (1 + np.exp(-np.clip(x @ np.asarray(conf["w"]), -40, 40)))


def acceptance(beliefs_of_right: np.ndarray, loss: float = LOSS) -> float:
    """The belief below which the share `loss` of right answers lies."""
    return float(np.quantile(beliefs_of_right, loss))
