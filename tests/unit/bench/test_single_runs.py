"""The bench of single runs: its second simulator stalls where it says, and its table counts right."""

import numpy as np
import pytest


@pytest.fixture(scope="module")
def single_runs():
    from bench import single_runs

    return single_runs


def test_the_second_simulator_stalls_where_the_speed_first_falls_to_the_stall(single_runs):
    speeds = single_runs.forward(np.random.default_rng(5), 46.0, 1.0, 0.4)

    assert speeds[-1] <= 46.0 < speeds[:-1].min()
    assert 46.0 - speeds[-1] < 0.5


@pytest.mark.parametrize("simulator", [1, 2])
def test_a_line_counts_the_runs_inside_twice_their_uncertainty(single_runs, simulator):
    row = next(row for row in single_runs.rows([1]) if row.named and row.easing == 1.0)
    error, u, held = single_runs.errors_of(row, simulator, 2, 7).T
    cells = [cell.strip() for cell in single_runs.line_of(row, simulator, 2, 7).split("|")[1:-1]]

    assert 5 <= len(error) <= 10 and np.all(np.abs(error) < 4)
    assert cells[0] == str(simulator) and cells[2] == f"{len(error)} of 10"
    assert float(cells[3]) == pytest.approx(error.mean(), abs=0.006)
    assert float(cells[6]) == pytest.approx(100 * sum(abs(e) <= 2 * s for e, s in zip(error, u)) / len(u), abs=0.06)
    assert float(cells[7]) == pytest.approx(100 * held.mean(), abs=0.06)
