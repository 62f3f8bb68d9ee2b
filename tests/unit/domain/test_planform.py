"""The wing from above: places measured with a ruler on a hand-drawn wing, and rows that cannot be."""

from dataclasses import replace

import pytest
from builders import Make

from logger_app.domain.fitted import Fit
from logger_app.domain.planform import GAP_SHARE, Role, drawing_of, row_problems, row_words, wing_of
from logger_app.records.plan import Change, ControlSurface, DeviceRow, Planform

# Drawn by hand on squared paper: semispan 4000, chords 1500 and 1000, tip set back 200. At 50 % of semispan the
# leading edge lies 100 behind that of the root and the chord is 1250; 20 % of chord there is 100 + 250 = 350.
WING = Planform(
    semispan_mm=4000.0,
    root_chord_mm=1500.0,
    tip_chord_mm=1000.0,
    tip_setback_mm=200.0,
    surfaces=(ControlSurface(name="aileron", span_from_pct=60, span_to_pct=95),),
    stations=(("4", 55.0),),
)
GAP_MM = GAP_SHARE * 4000.0


def aircraft(planform=WING):
    return replace(Make().campaign().aircraft, planform=planform)


def fits(*rows, item="strip", since="strips"):
    return (Fit(change=Change(item=item, rows=rows), since=since),)


def devices(drawing):
    return [line for line in drawing.lines if line.role in (Role.DEVICE, Role.STRIP)]


def test_a_place_on_the_wing_is_where_a_ruler_puts_it():
    row = DeviceRow(span_from_pct=50, span_to_pct=50.001, side="right", count=1, chord_from_pct=20, size_mm=100)

    (stroke,) = devices(drawing_of(aircraft(), fits(row)))
    (x0, y0), (x1, y1) = stroke.points
    centre_mm = 4000.0 + GAP_MM
    assert ((x0 + x1) / 2 - centre_mm, (y0 + y1) / 2) == pytest.approx((GAP_MM + 2000.0, 350.0), abs=0.1)
    assert (x1 - x0, y1 - y0) == pytest.approx((0.0, 100.0))


def test_both_wings_mirror_and_one_side_stays_on_its_side():
    row = DeviceRow(span_from_pct=30, span_to_pct=60, count=4, chord_from_pct=10, angle_deg=15)
    centre_mm = 4000.0 + GAP_MM

    both = devices(drawing_of(aircraft(), fits(row)))
    left = devices(drawing_of(aircraft(), fits(replace(row, side="left"))))
    xs = sorted(round(sum(x for x, _ in line.points) / 2 - centre_mm, 6) for line in both)
    assert len(both) == 8 and xs == [-x for x in reversed(xs)]
    assert len(left) == 4 and all(x < centre_mm for line in left for x, _ in line.points)


def test_what_the_configuration_added_is_new_and_the_rest_is_not():
    old, new = DeviceRow(span_from_pct=10, span_to_pct=20), DeviceRow(span_from_pct=30, span_to_pct=40)

    drawn = devices(drawing_of(aircraft(), (*fits(old), *fits(new, item="fence", since="fences")), "fences"))
    assert [line.new for line in drawn] == [False, False, True, True]


def test_without_a_planform_a_plain_rectangle_says_so():
    drawing = drawing_of(aircraft(None))

    wing = wing_of(aircraft(None))
    assert "plain rectangle" in drawing.note
    assert wing.root_chord_mm == wing.tip_chord_mm
    # The area of both wings is the wing area that the campaign gives.
    assert 2 * wing.semispan_mm * wing.root_chord_mm / 1e6 == pytest.approx(aircraft(None).wing_area_m2)
    assert "plain rectangle" not in drawing_of(aircraft()).note


@pytest.mark.parametrize(
    "row, other, expected",
    [
        (DeviceRow(span_from_pct=60, span_to_pct=50), None, "end beyond its start"),
        (DeviceRow(span_from_pct=80, span_to_pct=110), None, "within the wing"),
        (DeviceRow(span_from_pct=50, span_to_pct=70, surface="aileron"), None, "within the aileron, 60 to 95 %"),
        (DeviceRow(span_from_pct=10, span_to_pct=20, chord_from_pct=130, chord_to_pct=130), None, "0 to 100 %"),
        (
            DeviceRow(span_from_pct=10, span_to_pct=40, chord_from_pct=8, chord_to_pct=8),
            DeviceRow(span_from_pct=30, span_to_pct=60, chord_from_pct=8, chord_to_pct=8),
            "do not overlap",
        ),
        (
            DeviceRow(span_from_pct=10, span_to_pct=40, chord_from_pct=8, chord_to_pct=8, side="left"),
            DeviceRow(span_from_pct=30, span_to_pct=60, chord_from_pct=8, chord_to_pct=8, side="right"),
            None,
        ),
        (
            DeviceRow(span_from_pct=10, span_to_pct=40, chord_from_pct=8, chord_to_pct=8),
            DeviceRow(span_from_pct=10, span_to_pct=40, chord_from_pct=70, chord_to_pct=70),
            None,
        ),
        (DeviceRow(span_from_pct=0, span_to_pct=100, chord_from_pct=0, chord_to_pct=100), None, None),
    ],
)
def test_rows_that_cannot_be(row, other, expected):
    found = [wanted for *_, wanted in row_problems(aircraft(), fits(*([row, other] if other else [row])))]

    assert (expected is None and found == []) or any(expected in one for one in found)


def test_a_row_in_words():
    row = DeviceRow(
        span_from_pct=35,
        span_to_pct=88.5,
        count=24,
        chord_from_pct=7,
        chord_to_pct=9,
        angle_deg=15,
        spacing_mm=80,
        size_mm=25,
        state="measured",
        size_pct=50,
    )

    assert row_words(fits(row)[0], row) == (
        "strip, both wings, 24 a side, 35 to 88.5 % of semispan, at 7 to 9 % of chord, 15 deg, 80 mm apart, "
        "25 mm (measured), 50 % of the base design"
    )
