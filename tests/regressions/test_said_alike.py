"""Out of a stranger's trial: one figure said in two ways, a wish that was forgotten, one command that took seven undos."""

from dataclasses import replace

import pytest
from report_example import made_example

from logger_app.report.generations import generations


@pytest.fixture(scope="module")
def example():
    return made_example()


def test_wing_drops_are_counted_over_one_set_of_runs(example):
    """ "6 of 20" stood in the headline and "left 3, right 5, none 36" in the line: runs that do not count were in the second."""
    runs = tuple(
        replace(run, wing_drop="unknown" if k % 4 == 0 else "left", counts=k % 3 > 0)
        for k, run in enumerate(example.reduction.runs)
    )
    one = replace(example, reduction=replace(example.reduction, runs=runs))
    counted: dict[str, int] = {}
    for row in one.page().pairs[0].rows:
        for name, n in row.changed.wing_drops:
            counted[name] = counted.get(name, 0) + n
    line = {g.configuration.id: dict(g.drops) for g in generations(one.campaign, one.reduction)}

    assert line["cuffs"] == {name: n for name, n in counted.items() if n}
    assert line["cuffs"]["unknown"] and sum(line["cuffs"].values()) == sum(
        r.counts for r in runs if r.configuration == "cuffs"
    )
