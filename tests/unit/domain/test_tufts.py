"""Marks, what holds of them, and when a station first separated: a bracket in each run, and over runs."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger_app.domain.tufts import (
    STATES,
    Bracket,
    RunMarks,
    TuftMark,
    bracket_of,
    censored_normal,
    differences,
    disputes,
    first_separated,
    implied_states,
    in_force,
    pairs,
    wing_maps,
)

A, U, S, R, N = STATES


def mark(station, state, ias_kt=50.0, at_s=0.0, **more):
    fields = {"camera": "wing", "run": "r1", "frame_pts": round(at_s * 1000), "who": "ann"} | more
    return TuftMark(flight_ns=round(at_s * 1e9), station=station, state=state, ias_kt=ias_kt, **fields)


def run_of(*marks, run="r1", configuration="baseline", point="A1", flight="f1"):
    marks = tuple(replace(m, run=run) for m in marks)
    return RunMarks(flight=flight, run=run, configuration=configuration, point=point, marks=marks)


def test_a_decision_holds_over_any_proposal_and_the_last_decision_over_earlier_ones():
    rows = [
        mark("a", S, proposed=True),
        mark("a", U),
        mark("a", R, proposed=True),
        mark("b", A),
        mark("b", S),
        mark("a", N, at_s=7, proposed=True),
        mark("a", A, at_s=7, proposed=True),
    ]

    assert [(m.station, m.frame_pts, m.state) for m in in_force(rows)] == [("a", 0, U), ("b", 0, S), ("a", 7000, A)]


def test_a_decision_that_was_taken_back_gives_way_to_what_held_before():
    rows = [mark("a", S, proposed=True), mark("a", U, who="bob"), mark("a", A)]
    back = replace(rows[2], withdrawn=True)

    assert in_force([*rows, back])[0].who == "bob"
    assert in_force([*rows, back, replace(rows[1], withdrawn=True)])[0].proposed
    assert in_force([rows[2], back]) == ()


def test_the_same_frame_in_two_runs_is_two_looks():
    """Chapters of a camera count their frames from nought again."""
    assert len(in_force([mark("a", A), mark("a", S, run="r2")])) == 2


# first separation in one run


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ([(A, 60), (A, 56), (S, 52), (R, 48)], (56, 52, 52, 56)),
        ([(S, 56)], (None, 56, 56, None)),  # not seen before: at 56 or faster
        ([(A, 56), (U, 46)], (46, None, None, 46)),  # never seen separated
        ([(A, 52), (S, 53)], (52, 53, 52, 53)),  # the approach wavered
        ([(A, 56), (N, 52), (S, 50)], (56, 50, 50, 56)),
        ([(A, 56), (S, 54), (A, 52), (S, 50)], (56, 54, 54, 56)),  # the first time counts
    ],
)
def test_a_bracket_lies_between_the_last_look_attached_and_the_first_separated(seen, expected):
    marks = [mark("a", state, ias, k) for k, (state, ias) in enumerate(seen)]
    found = bracket_of(marks, "a")

    assert (found.attached_kt, found.separated_kt, found.low_kt, found.high_kt) == expected


def test_after_the_stall_is_said_as_after():
    """Marks after the stall have no speed and dropped out."""
    before = mark("a", A, 47, 1, to_stall_s=-0.5)
    after = mark("a", S, None, 3, to_stall_s=1.5)
    found = bracket_of([before, after], "a")

    assert (found.separated, found.after, found.low_kt, found.high_kt) == (True, True, None, 47)
    assert bracket_of([mark("a", A, 47), mark("a", S, None, 3)], "a").separated is False, "nobody knows when that was"
    assert bracket_of([mark("a", N, 50)], "a") is None


def test_the_uncertainty_of_the_speeds_widens_a_bracket():
    found = bracket_of([mark("a", A, 56, 1, ias_u_kt=0.5), mark("a", S, 52, 2, ias_u_kt=0.7)], "a")

    assert (found.low_kt, found.high_kt) == (pytest.approx(50.6), pytest.approx(57.0))
    assert (found.separated_kt, found.attached_kt) == (52, 56)


# over runs


def test_over_runs_the_mean_lies_between_the_means_of_the_bounds_and_the_spread_is_told():
    """The fastest of three runs won."""
    runs = [Bracket(low_kt=lo, high_kt=hi, separated=True) for lo, hi in ((52, 56), (50, 53), (57, 60))]
    found = first_separated("a", runs)

    assert (found.low_kt, found.high_kt) == (pytest.approx(53), pytest.approx(169 / 3))
    assert 53 < found.mean_kt < 169 / 3 and 0.5 < found.sd_kt < 5
    one_open = first_separated("a", [*runs, Bracket(high_kt=45)])
    assert one_open.low_kt is None and one_open.high_kt is not None


@given(st.lists(st.tuples(st.floats(40, 60), st.floats(0.1, 5), st.floats(0.1, 5)), min_size=1, max_size=8))
def test_brackets_that_contain_their_runs_truth_contain_the_mean_of_the_truths(rows):
    found = first_separated("a", [Bracket(low_kt=t - lo, high_kt=t + hi, separated=True) for t, lo, hi in rows])

    assert found.low_kt - 1e-9 <= sum(t for t, _, _ in rows) / len(rows) <= found.high_kt + 1e-9


def test_brackets_that_all_overlap_tell_no_spread():
    assert censored_normal([(50, 54), (51, 55)]) is None
    assert censored_normal([(50, 54)]) is None


# maps


def test_nothing_of_another_point_run_camera_or_configuration_gets_in():
    """A1 was marked, A2 opened: its map was full of A1's speeds. Left attached at 46 and right separated at 52 gave 52."""
    marked = [
        run_of(mark("a", A, 46, wing="left", camera="l"), mark("a", S, 52, wing="right", camera="r")),
        run_of(mark("a", S, 60, camera="l", wing="left"), run="r2", point="A2"),
        run_of(mark("a", S, 61, camera="l", wing="left"), run="r3", configuration="cuffs"),
    ]
    maps = wing_maps(marked, "A1", ["baseline"])

    assert [(one.view, one.first[0].runs[0].separated_kt) for one in maps] == [
        ("left wing, l", None),
        ("right wing, r", 52),
    ]
    assert wing_maps(marked, "A3", ["baseline", "cuffs"]) == ()


def test_two_cameras_of_one_wing_are_not_merged_for_their_percentages_are_of_what_each_shows():
    marked = [run_of(mark("a", A, 46, wing="left", camera="one"), mark("a", S, 52, wing="left", camera="two"))]

    assert [one.view for one in wing_maps(marked, "A1", ["baseline"])] == ["left wing, one", "left wing, two"]


def test_maps_are_compared_view_by_view_and_by_wing_where_cameras_were_renamed():
    def one(configuration, camera, wing, run):
        return run_of(mark("a", S, 50, camera=camera, wing=wing), run=run, configuration=configuration)

    marked = [
        one("baseline", "strut", "left", "r1"),
        one("baseline", "fin", "right", "r2"),
        one("cuffs", "strut", "left", "r3"),
        one("cuffs", "tail", "right", "r4"),
        one("cuffs", "nose", "", "r5"),
    ]
    found = [(a.view, b.view) for a, b in pairs(wing_maps(marked, "A1", ["baseline", "cuffs"]))]

    assert found == [("left wing, strut", "left wing, strut"), ("right wing, fin", "right wing, tail")]


def test_a_difference_is_as_wide_as_both_brackets():
    base = wing_maps([run_of(mark("a", A, 56, 1), mark("a", S, 52, 2))], "A1", ["baseline"])[0]
    cuffs = wing_maps([run_of(mark("a", A, 50, 1), mark("a", S, 48, 2), configuration="cuffs")], "A1", ["cuffs"])[0]
    (found,) = differences(base, cuffs)

    assert (found.low_kt, found.high_kt, found.middle_kt, found.shown) == (-8, -2, -5, True)
    same = differences(base, base)[0]
    assert (same.low_kt, same.high_kt, same.shown) == (-4, 4, False)


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from(STATES), st.floats(40, 70)), max_size=20))
def test_a_configuration_against_itself_never_shows_a_difference(rows):
    for one in wing_maps([run_of(*(mark(*row, k) for k, row in enumerate(rows)))], "A1", ["baseline"]):
        assert not any(d.shown for d in differences(one, one))


# people


def test_two_people_who_disagree_are_shown_and_left_out_until_settled():
    """The last mark won in silence; one frame apart, the worse one."""
    ann, bob = mark("a", A, 50, 1.0), mark("a", S, 50, 1.033, who="bob")
    open_one = wing_maps([run_of(ann, bob)], "A1", ["baseline"])[0].first[0]
    assert (open_one.disputed, open_one.runs) == (1, ())
    assert disputes([ann, bob])[0].words == "ann: attached, bob: separated"

    settled = wing_maps([run_of(ann, bob, mark("a", S, 50, 1.0, who="cat", settles=True))], "A1", ["baseline"])[0]
    assert settled.first[0].disputed == 0 and settled.first[0].runs[0].separated_kt == 50


def test_people_who_agree_or_look_at_other_moments_do_not_disagree():
    assert disputes([mark("a", A, 50, 1.0), mark("a", A, 50, 1.03, who="bob")]) == ()
    assert disputes([mark("a", A, 50, 1.0), mark("a", S, 49, 2.0, who="bob")]) == ()
    assert disputes([mark("a", A, 50, 1.0), mark("a", S, 50, 1.03)]) == (), "one person may see a change"
    assert disputes([mark("a", A, 50, 1.0), mark("a", S, 50, 1.0, who="bob"), mark("a", A, 50, 1.0, who="bob")]) == ()


def test_other_looks_imply_a_state_only_where_they_leave_one():
    looks = ({"x": A, "y": U}, {}, {"x": S, "y": U, "z": A}, {})

    assert implied_states(looks, ("x", "y", "z")) == ({"z": A}, {"y": U, "z": A}, {}, {})
