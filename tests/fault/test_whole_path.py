"""One trial of each family of faults, over all verbs that write; `tests/bench/faults.py --full` makes 500.

And a proof that the bench can fail: a program that syncs nothing loses what it says on the bench's disk.
"""

import os
import random
import shutil
import subprocess
import sys
import types
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parents[1] / "bench" / "faults.py"
DAMAGE = (
    "torn page in the journal",
    "torn page in the log",
    "flipped bytes in the journal",
    "flipped bytes in the log",
    "flipped bytes in the sound",
    "cut short",
)

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="strikes with Linux's signals, limits and mounts"
)


@pytest.fixture(scope="module")
def faults():
    from bench import faults

    return faults


@pytest.mark.slow
def test_nothing_accepted_is_lost_whatever_strikes_and_damage_is_named(faults):
    plan = [(kind, 0) for kind in faults.QUICK] + [(kind, k) for kind in DAMAGE for k in (1, 2)]
    rows = faults.run(plan, seed=5, jobs=3, tell=lambda text: None)

    assert [(row["kind"], row["k"]) for row in rows] == plan
    assert [row for row in rows if row["wrong"]] == []
    done = {row["kind"] for row in rows if not row["not_done"]}
    assert done >= {kind for kind in faults.QUICK if not kind.startswith(("power cut review", "gone"))}


CARELESS = """
import os, sys
for k in range(40):
    with open(f"{sys.argv[1]}/new.json", "w") as file:
        file.write("[" + "1," * 60_000 + "1]")
    os.replace(f"{sys.argv[1]}/new.json", f"{sys.argv[1]}/results.json")
"""


@pytest.mark.slow
def test_the_power_cut_loses_what_was_not_synced(faults, tmp_path):
    """Or else the bench would prove nothing."""
    trial = type("Trial", (), {"folder": tmp_path, "chance": random.Random(1)})()
    with faults._disk(trial) as disk:
        if disk is None:
            assert os.geteuid() or not shutil.which("mkfs.ext4") or not Path("/dev/loop-control").exists()
            return
        image, place = disk
        subprocess.run([sys.executable, "-c", CARELESS, str(place)], check=True)
        shutil.copyfile(image, tmp_path / "found.image")
        assert (place / "results.json").stat().st_size == 120_003
    assert faults._mount(tmp_path / "found.image", place, "loop")
    try:
        found = place / "results.json"
        assert not found.exists() or found.read_bytes().strip(b"\0") != b"[" + b"1," * 60_000 + b"1]"
    finally:
        faults._unmount(place)


def test_a_full_run_is_shared_out_over_all_kinds(faults):
    given = faults.shares(faults.FULL)

    assert sum(given.values()) == faults.FULL
    assert set(given) == set(faults.KINDS)
    assert min(given.values()) >= 4
    named = {"fly", "hear", "review", "sync", "reduce", "report"}
    for family in ("kill -9", "power cut", "full disk", "read-only", "gone"):
        assert {f"{family} {name}" for name in named} <= set(given)
    assert (
        set(faults.QUICK) <= set(given) and {name for kind in faults.QUICK for name in named if name in kind} == named
    )


def test_a_trial_is_drawn_alike_each_time(faults, tmp_path):
    bench = types.SimpleNamespace(folder=tmp_path)
    drawn = [
        faults.Trial(bench, kind, seed, k).chance.random()
        for kind, seed, k in [
            ("clocks", 3, 1),
            ("clocks", 3, 1),
            ("clocks", 4, 1),
            ("clocks", 3, 2),
            ("microphone", 3, 1),
        ]
    ]

    assert drawn[0] == drawn[1]
    assert len(set(drawn)) == 4
    assert faults.trials_of({"microphone": 2, "clocks": 1}) == [("microphone", 0), ("clocks", 0), ("microphone", 1)]
