"""The fault bench in its quick form: kill -9, SIGTERM and a full disk at random moments of a flight."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the bench mounts a small Linux disk")
def test_nothing_accepted_is_lost_in_fifteen_trials():
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "bench" / "fly_faults.py"), "--trials", "15", "--json", "--jobs", "6"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.stdout, done.stderr
    result = json.loads(done.stdout)

    assert result["faults"] == []
    assert [row["trials"] for row in result["table"]] == [5, 5, 5]
