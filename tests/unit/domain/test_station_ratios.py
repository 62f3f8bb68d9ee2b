"""At what ratio each station let go: means over runs, which let go first, and both wings of one run."""

from dataclasses import replace

import pytest

from logger_app.domain.station_ratios import Release, ratio_marks, states_at, station_ratios, wings_in_runs
from logger_app.domain.tufts import RunMarks, TuftMark, TuftState


def marks(run, first, wing="left", stops=(60.0, 55.0, 52.5, 50.0)):
    """`first`: speed at which each station is first seen separated [kt]; None is never."""
    found = []
    for k, kt in enumerate(stops):
        for station, at in first.items():
            state = TuftState.SEPARATED if at is not None and kt <= at else TuftState.ATTACHED
            found.append(
                TuftMark(
                    flight_ns=k * 10**9,
                    camera=wing,
                    frame_pts=k,
                    station=station,
                    state=state,
                    ias_kt=kt,
                    run=run,
                    wing=wing,
                )
            )
    return found


def run(id, *groups):
    return RunMarks(
        flight="f", run=id, configuration="a", point="A1", marks=tuple(mark for group in groups for mark in group)
    )


def test_a_ratio_is_the_mean_of_the_brackets_over_the_runs_own_stall():
    runs = [
        run("r1", marks("r1", {"80/20": 55.0, "20/20": 50.0})),
        run("r2", marks("r2", {"80/20": 52.5, "20/20": None})),
    ]

    found = {one.station: one for one in station_ratios(runs, {("f", "r1"): 50.0, ("f", "r2"): 50.0})}

    # r1: between 60 and 55; r2: between 55 and 52.5.
    assert found["80/20"].ratio == pytest.approx((57.5 + 53.75) / 2 / 50)
    assert (found["80/20"].low_ratio, found["80/20"].high_ratio) == pytest.approx(((55 + 52.5) / 100, (60 + 55) / 100))
    assert (found["80/20"].first_in, found["80/20"].separated, found["80/20"].runs) == (2, 2, 2)
    assert (found["20/20"].first_in, found["20/20"].separated, found["20/20"].runs) == (0, 1, 2)
    assert (found["80/20"].span_pct, found["80/20"].chord_pct) == (80.0, 20.0)


def test_a_run_without_a_stall_speed_says_nothing():
    assert station_ratios([run("r1", marks("r1", {"80/20": 55.0}))], {}) == ()


def test_marks_that_name_no_wing_are_left_out():
    assert station_ratios([run("r1", marks("r1", {"80/20": 55.0}, wing=""))], {("f", "r1"): 50.0}) == ()


def test_both_wings_of_a_run_are_paired_by_station():
    both = run(
        "r1", marks("r1", {"80/20": 55.0, "50/20": None}), marks("r1", {"80/20": 52.5, "20/20": 50.0}, wing="right")
    )

    ((configuration, stations),) = wings_in_runs([both, run("r2", marks("r2", {"80/20": 55.0}))])
    assert configuration == "a"
    assert stations == {"80/20": ((55.0, 60.0), (52.5, 55.0))}


def test_reattached_after_the_stall_and_never_are_told_apart():
    seen = marks("r1", {"10/20": 55.0, "30/20": None, "50/20": None, "70/20": 50.0})
    # 10/20 is attached again at the last look before the stall; 30/20 goes after it.
    again = [
        replace(one, state=TuftState.ATTACHED) if (one.station, one.ias_kt) == ("10/20", 50.0) else one for one in seen
    ]
    after = replace(
        seen[-1], station="30/20", state=TuftState.SEPARATED, ias_kt=None, to_stall_s=1.0, flight_ns=9 * 10**9
    )

    found = {one.station: one for one in station_ratios([run("r1", again, [after])], {("f", "r1"): 50.0})}

    assert [(found[name].release, found[name].reattached, found[name].after) for name in sorted(found)] == [
        (Release.EARLY, 1, 0),
        (Release.AFTER, 0, 1),
        (Release.NEVER, 0, 0),
        (Release.LATE, 0, 0),
    ]
    assert found["10/20"].words == "1.15 Vs, 1 of 1 runs, reattached in 1"


def test_stations_that_let_go_between_the_same_looks_are_not_told_apart():
    """Three stations were each "first in 16 of 16 runs"."""
    runs = [
        run("r1", marks("r1", {"60/60": 55.0, "75/20": 55.0, "15/20": 50.0})),
        run("r2", marks("r2", {"60/60": 55.0, "75/20": 52.5, "15/20": None})),
    ]

    found = {one.station: one for one in station_ratios(runs, {("f", "r1"): 50.0, ("f", "r2"): 50.0})}

    assert {name: (one.first_in, one.alone_in) for name, one in found.items()} == {
        "60/60": (2, 1), "75/20": (1, 0), "15/20": (0, 0),
    }  # fmt: skip


def test_a_station_not_looked_at_in_between_may_have_been_the_first():
    """60/60 went between 60 and 55 kt. 75/20 was looked at at 60 and 52.5 kt only: it may have gone before or after."""
    seen = marks("r1", {"60/60": 55.0}) + [one for one in marks("r1", {"75/20": 52.5}) if one.ias_kt != 55.0]

    found = {one.station: one for one in station_ratios([run("r1", seen)], {("f", "r1"): 50.0})}

    assert (found["60/60"].first_in, found["75/20"].first_in) == (1, 1)
    assert (found["60/60"].alone_in, found["75/20"].alone_in) == (0, 0)


def test_what_nobody_has_confirmed_is_not_counted():
    seen = [replace(one, proposed=True) for one in marks("r1", {"80/20": 55.0})]
    assert station_ratios([run("r1", seen)], {("f", "r1"): 50.0}) == ()
    assert ratio_marks([run("r1", seen)], {("f", "r1"): 50.0}) == ()


def test_the_commonest_state_near_a_ratio():
    runs = [run(f"r{k}", marks(f"r{k}", {"80/20": at, "20/20": None})) for k, at in enumerate((55.0, 55.0, 50.0))]
    seen = ratio_marks(runs, {("f", f"r{k}"): 50.0 for k in range(3)})

    assert states_at(seen, 1.1, "left") == {"80/20": TuftState.SEPARATED, "20/20": TuftState.ATTACHED}
    assert states_at(seen, 1.2, "left")["80/20"] is TuftState.ATTACHED
    assert states_at(seen, 1.1, "right") == {} and states_at(seen, 1.15, "left") == {}
