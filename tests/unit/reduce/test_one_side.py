"""A change on one wing: which side dropped first, and what may not be concluded."""

import math
from dataclasses import replace

import pytest

from logger_app.records.plan import AircraftConfig, Change, DeviceRow
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.reduce.one_side import one_sided, paired_stations

ROW = DeviceRow(span_from_pct=50, span_to_pct=90, side="left")


def campaign(make, row=ROW):
    fitted = AircraftConfig(id="one", name="", parent="base", changes=(Change(item="strip", rows=(row,)),))
    return replace(make.campaign(), configurations=(AircraftConfig(id="base", name=""), fitted))


def runs(configuration, drops, point="A1"):
    return [
        StallSpeed(
            run=f"{configuration}{k}",
            run_number=k,
            flight="f",
            configuration=configuration,
            point=point,
            event=StallEvent.ROLL_OFF,
            method="fit",
            counts=True,
            event_flight_s=100.0 * k,
            wing_drop=drop,
        )
        for k, drop in enumerate(drops)
    ]


def test_the_unfitted_wing_dropped_first_in_nine_of_ten(make):
    (found,) = one_sided(campaign(make), runs("one", ["right"] * 9 + ["left", "none"]))

    assert (found.fitted_side, found.control_side) == ("left", "right")
    assert (found.control_first, found.fitted_first, found.neither, found.n_runs) == (9, 1, 1, 11)
    assert "the right wing, without the change, dropped first in 9 of 10, 55 to 100 %" in found.words
    assert "has not been flown" in found.words


@pytest.mark.parametrize(
    "before, said", [(["right"] * 8, "no change of side is shown"), (["left"] * 8, "the side changed")]
)
def test_a_wing_that_always_dropped_says_nothing_of_the_change(make, before, said):
    (found,) = one_sided(campaign(make), [*runs("base", before), *runs("one", ["right"] * 9)])

    assert said in found.words


def test_what_else_favours_a_side_is_named(make):
    (found,) = one_sided(campaign(make), runs("one", ["right"], point="A2"))

    assert "bank (30 deg right)" in found.could_also
    assert "ball and rudder (not recorded)" in found.could_also


def test_a_fit_on_both_wings_is_not_one_sided(make):
    assert one_sided(campaign(make, replace(ROW, side="both")), runs("one", ["left"])) == ()


def test_without_a_drop_nothing_is_claimed(make):
    (found,) = one_sided(campaign(make), runs("one", ["none", None]))

    assert "no wing drop was called in 2 runs" in found.words
    assert (found.low_ratio, found.high_ratio) == (0.0, 1.0)


def test_the_difference_is_paired_in_the_run_and_turns_with_the_fitted_side():
    at = lambda kt: (kt, kt)
    seen = [
        {"a": (at(52.0), at(50.0)), "b": (None, at(48.0))},
        {"a": (at(58.0), at(56.5))},
    ]  # a needle 6 kt off in the second run

    left = {pair.station: pair for pair in paired_stations(seen, "left")}
    right = {pair.station: pair for pair in paired_stations(seen, "right")}
    assert right["a"].difference_ias_kt == pytest.approx(1.75) == -left["a"].difference_ias_kt
    assert (left["b"].n, left["b"].not_paired, left["b"].difference_ias_kt) == (0, 1, None)


def test_what_the_looks_leave_open_is_in_the_interval():
    """The middles of two brackets differed by 4.5 kt in every run, and the interval had no width at all."""
    runs = [{"a": ((49.5, 54.0), (45.0, 49.5))} for _ in range(4)]

    (pair,) = paired_stations(runs, "right")

    assert (pair.low_kt, pair.high_kt) == (0.0, 9.0), "between the same two looks, or as far apart as they allow"
    (open_,) = paired_stations([{"a": ((54.0, math.inf), (45.0, 49.5))} for _ in range(3)], "right")
    assert (open_.low_kt, open_.high_kt, open_.difference_ias_kt) == (4.5, None, None), "separated at the first look"


def test_before_the_change_are_all_flights_without_it_also_after_it_was_taken_back(make):
    """Of two generations fitted alike only the nearer one was counted: "without any change it was 2 of 2"."""
    base, one = campaign(make).configurations
    back = AircraftConfig(id="back", name="", parent="one", changes=(Change(item="off", takes_off="strip"),))
    again = replace(one, id="again", parent="back", changes=(Change(item="fence", rows=(ROW,)),))
    line = replace(campaign(make), configurations=(base, one, back, again))

    *_, found = one_sided(
        line, [*runs("base", ["right", "left", "right"]), *runs("back", ["right"] * 2), *runs("again", ["right"] * 3)]
    )

    assert (found.configuration, found.reference_left, found.reference_right) == ("again", 1, 4)
    assert "without it on either wing it was 4 of 5" in found.words


def test_a_wing_that_is_alike_but_for_one_item_has_a_control(make):
    base, _ = campaign(make).configurations
    strips = AircraftConfig(
        id="strips", name="", parent="base", changes=(Change(item="strips", rows=(replace(ROW, side="both"),)),)
    )
    fence = AircraftConfig(
        id="fence", name="", parent="strips", changes=(Change(item="fence", rows=(replace(ROW, side="right"),)),)
    )
    line = replace(campaign(make), configurations=(base, strips, fence))

    (found,) = one_sided(line, [*runs("base", ["left"]), *runs("strips", ["right"] * 4), *runs("fence", ["left"] * 4)])

    assert (found.fitted_side, found.reference_left, found.reference_right) == ("right", 0, 4), "not the bare wing's"
