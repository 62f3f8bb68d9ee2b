"""Believe it? From how well a call explains the sound to the probability that it was said. Pure.

A logistic function of a few measures, fitted on people who are in no test set (`conf.json` beside
the weights; the fit is in ``grammar/en/acoustic``). Main names: `measures`, `Gate`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logger_app.errors import EngineError
from logger_app.hear.phones import PHONE_ID

# How surely the posterior among legal calls may speak: beyond this it says nothing more.
MAX_NATS = 12.0
# The same for the network's log-odds of talk against calls.
MAX_TALK = 5.0


def measures(posterior: float, log_ratio: float, phones: int, activity: float, talk: float) -> np.ndarray:
    """What the belief in a call rests on.

    Parameters
    ----------
    posterior : float
        Share of the call among everything legal.
    log_ratio : float
        Natural log of its probability over that of the best phones of all.
    talk : float
        Mean log-odds of talk against a call.

    Returns
    -------
    ndarray of float64, shape (7,)
        1, surprise of the posterior, log-ratio a phone, log-ratio, activity, log of phones, talk.
    """
    surprise = min(MAX_NATS, -np.log(max(1e-30, 1.0 - posterior)))
    return np.array(
        [
            1.0,
            surprise,
            log_ratio / phones,
            min(0.0, log_ratio) / 10,
            activity,
            np.log(phones),
            np.clip(talk, -MAX_TALK, MAX_TALK),
        ]
    )


@dataclass(frozen=True, slots=True)
class Gate:
    """The fitted function, and what it must reach: expected calls, others, digits alone, short words (`context`).

    `leans` is what was added to the network's single phones after its training, by phone id [natural log].
    """

    weights: np.ndarray
    mean: np.ndarray
    spread: np.ndarray
    late_frames: float
    airspeed: float = 0.88
    airspeed_first: float = 0.35
    airspeed_after_quiet: float = 0.5
    airspeed_expected: float = 0.03
    airspeed_far: float = 0.25
    digit: float = 0.93
    digit_expected: float = 0.35
    setting: float = 0.3
    setting_expected: float = 0.85
    other: float = 0.6
    short: float = 0.75
    other_expected: float = 0.2
    command: float = 0.5
    phrase: float = 0.1
    phrase_expected: float = 0.02
    leans: Mapping[int, float] = field(default_factory=dict)

    @classmethod
    def from_conf(cls, conf: Mapping) -> Gate:
        """From the file beside the weights.

        Parameters
        ----------
        conf : mapping
            ``w`` (7), ``mu`` and ``sd`` (6), and maybe ``late_s``, ``leans`` and, under ``accept``, thresholds by name.

        Raises
        ------
        EngineError
            Something is missing.
        """
        try:
            weights, mean, spread = (np.asarray(conf[key], float) for key in ("w", "mu", "sd"))
            least = {str(name): float(value) for name, value in conf.get("accept", {}).items()}
            leans = {PHONE_ID[phone]: float(value) for phone, value in conf.get("leans", {}).items()}
            gate = cls(weights, mean, spread, float(conf.get("late_s", 0.2)) / 0.02, **least, leans=leans)
        except (KeyError, TypeError, ValueError, AttributeError) as err:
            raise EngineError(
                f"conf.json: not the calibration of a callout model ({err}); reinstall kneecall."
            ) from err
        if weights.shape != (7,) or mean.shape != (6,) or spread.shape != (6,):
            raise EngineError("conf.json: not the calibration of a callout model; reinstall kneecall.")
        return gate

    def belief(self, measured: np.ndarray) -> float:
        """Probability that the call was said, 0 to 1."""
        scaled = np.concatenate([measured[:1], (measured[1:] - self.mean) / self.spread])
        return float(1 / (1 + np.exp(-np.clip(self.weights @ scaled, -40, 40))))
