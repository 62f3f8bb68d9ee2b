"""One trial of each kind of fault on each verb that writes; `tests/bench/faults.py --full` makes 500."""

import importlib.util
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parents[1] / "bench" / "faults.py"


def bench():
    spec = importlib.util.spec_from_file_location("faults_bench", BENCH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="strikes with Linux's signals, limits and capabilities")
def test_nothing_accepted_is_lost_whatever_strikes():
    faults = bench()
    table, wrong = faults.run(len(faults.KINDS), seed=5, tell=lambda text: None)

    assert wrong == []
    assert [row["trials"] for row in table] == [1] * len(faults.KINDS)


@pytest.mark.slow
def test_damage_anywhere_in_journal_and_sound_is_named_and_the_rest_saved():
    faults = bench()
    for kind in ("flipped bytes", "torn page"):
        table, wrong = faults.run(6, seed=11, only=kind, tell=lambda text: None)

        assert wrong == []
        assert table == [{"kind": kind, "trials": 6, "wrong": 0}]
