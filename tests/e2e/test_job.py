"""A verb as a job of the app: messages, progress, cancel."""

import time

from logger_app.ui.job import Job


def until(condition, limit_s=60):
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, "never so"
        time.sleep(0.05)


def test_a_verb_that_refuses_says_why(tmp_path):
    job = Job("Reduce", ["reduce", str(tmp_path / "nothing")])
    job.start()
    until(lambda: job.state.code is not None)

    assert job.state.code == 1
    assert "campaign.toml" in job.state.lines[-1]


def test_a_cancelled_demo_stops_and_says_so(tmp_path):
    job = Job("Demo", ["demo", "-o", str(tmp_path / "demo")])
    job.start()
    until(lambda: job.state.fraction is not None)
    assert 0.0 <= job.state.fraction <= 1.0 and job.state.stage
    job.cancel()
    until(lambda: job.state.code is not None)

    assert job.state.cancelled and job.state.code == 130
