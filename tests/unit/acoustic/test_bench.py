"""The hearing bench measures what it says."""

import json
import subprocess
import sys
from pathlib import Path

import hearing
import numpy as np
import pytest
import speech
from statsmodels.stats.proportion import proportion_confint

BENCH = Path(speech.__file__).parent


@pytest.mark.parametrize(("right", "n"), [(0, 20), (7, 9), (150, 160), (320, 320)])
def test_intervals_are_those_of_a_statistics_library(right, n):
    """statsmodels, method "wilson"."""
    low, high = proportion_confint(right, n, method="wilson")

    assert hearing.wilson(right, n) == pytest.approx((100 * low, 100 * high), abs=1e-3)


def test_noise_is_added_at_the_ratio_asked_for():
    rng = np.random.default_rng(2)
    voice = speech.headset(rng.normal(0, 0.1, 32000))
    noise = speech.cockpit_noise(40000, 1)

    clean = speech.mix(voice, None, None, 0, 0).astype(float)
    noisy = speech.mix(voice, 6.0, noise, 0, 0).astype(float)

    level = lambda x: 10 * np.log10(np.mean(x**2))
    assert level(clean) - level(noisy - clean) == pytest.approx(6.0, abs=0.5)


def test_same_seed_same_noise_another_seed_another():
    one = speech.cockpit_noise(8000, 5)

    assert np.array_equal(one, speech.cockpit_noise(8000, 5))
    assert np.abs(np.corrcoef(one, speech.cockpit_noise(8000, 6))[0, 1]) < 0.5


def test_a_row_names_the_worst_person():
    outcomes = [("ann", True)] * 12 + [("bob", k < 3) for k in range(12)] + [("cat", False)]

    found = hearing.row("x", "set", True, 10.0, "made", outcomes)

    assert (found["n"], found["exact_pct"]) == (25, 60.0)
    assert found["worst_speaker_pct"] == 25.0  # cat said too little to be named


@pytest.mark.slow
def test_quick_bench_prints_one_document():
    command = [sys.executable, str(BENCH / "hearing.py"), "--quick", "--rows", "calls,noise", "--json"]

    done = subprocess.run(command, capture_output=True, text=True, check=True)

    found = json.loads(done.stdout)
    assert found["default_engine"] == "callout"
    clean = [r for r in found["rows"] if r["snr_db"] is None and r["real"] and "composed" in r["set"]]
    assert clean[0]["n"] >= 10
    assert clean[0]["low_pct"] <= clean[0]["exact_pct"] <= clean[0]["high_pct"]
    assert found["false_accepts"][0]["minutes"] >= 1.9


def test_no_data_is_said_in_one_sentence(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["hearing.py", "--data", str(tmp_path / "none")])

    assert hearing.main() == 1
    assert "speech data" in capsys.readouterr().err
