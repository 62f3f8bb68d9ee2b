"""The fit of the belief."""

import json

import numpy as np
import statsmodels.api as sm

from grammar.en.acoustic.calibrate import acceptance, believe, fit
from grammar.en.acoustic.export import LEANS
from logger_app.io.resources import data_dir


def _drawn(rng, n=4000):
    x = np.concatenate([np.ones((n, 1)), rng.normal(size=(n, 5))], 1)
    truth = np.array([0.4, 1.5, -0.8, 0.3, 0.0, 0.5])
    return x, rng.random(n) < 1 / (1 + np.exp(-x @ truth))


def test_fit_is_the_logistic_regression_of_a_statistics_library():
    """statsmodels' Logit on the same data; ours has a ridge of 0.01, hence not to the last digit."""
    x, right = _drawn(np.random.default_rng(5))

    believed = believe(fit(x, right), x)

    wanted = sm.Logit(right.astype(float), x).fit(disp=0).predict(x)
    assert np.abs(believed - wanted).max() < 1e-3


def test_weight_two_is_the_row_twice():
    x, right = _drawn(np.random.default_rng(6), 400)
    heavy = np.where(np.arange(400) < 100, 2.0, 1.0)

    weighted = believe(fit(x, right, heavy), x)

    twice = np.concatenate([x, x[:100]]), np.concatenate([right, right[:100]])
    assert np.abs(weighted - believe(fit(*twice), x)).max() < 0.01


def test_acceptance_loses_the_share_it_says():
    beliefs = np.linspace(0, 1, 101)

    assert abs(np.mean(beliefs < acceptance(beliefs, 0.1)) - 0.1) < 0.02


def test_the_leans_beside_the_weights_are_those_that_were_put_into_them():
    """The decoder takes them back in phrases; `export.LEANS` is what `--lean` adds."""
    conf = json.loads((data_dir("grammar") / "en/acoustic/conf.json").read_text("utf-8"))

    assert conf["leans"] == LEANS
