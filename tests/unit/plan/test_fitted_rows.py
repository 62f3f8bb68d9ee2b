"""What was fitted, read from a campaign file: rows, named stations, and faults in words."""

import pytest

from logger_app.domain.fitted import fitted_to
from logger_app.plan.parse import parse_text
from logger_app.records.plan import DeviceRow

HEAD = """
[campaign]
name = "strips"
[aircraft]
name = "made"
empty_weight_kg = 380
max_weight_kg = 600
wing_area_m2 = 12
semispan_mm = 4200
root_chord_mm = 1450
[[aircraft.control_surface]]
name = "aileron"
span_from_pct = 58
span_to_pct = 96
[[aircraft.wing_station]]
name = "4"
span_pct = 55
[[configuration]]
id = "plain"
[[configuration]]
id = "strips"
parent = "plain"
question = "does the tip still let go first?"
[[configuration.change]]
item = "stall strip"
"""
CARD = '\n[[card]]\nid = "A"\n[[card.point]]\nid = "A1"\n'


def read(row, more=""):
    return parse_text(HEAD + "[[configuration.change.row]]\n" + row + more + CARD)


def test_a_row_is_read_with_its_units_and_named_stations():
    campaign, faults = read(
        'side = "left"\ncount = 6\nspan_from_pct = 30\nspan_to_station = "4"\nchord_from_pct = 7\nsize_in = 1\nstate = "measured"\n'
    )

    assert faults == ()
    (fit,) = fitted_to(campaign, "strips")
    assert fit.change.rows == (
        DeviceRow(
            side="left",
            count=6,
            span_from_pct=30,
            span_to_pct=55,
            chord_from_pct=7,
            chord_to_pct=7,
            size_mm=25.4,
            state="measured",
        ),
    )
    assert fit.change.side == "left"
    assert campaign.aircraft.planform.tip_chord_mm == 1450, "no tip chord: straight"
    assert campaign.configuration("strips").question == "does the tip still let go first?"


@pytest.mark.parametrize(
    "row, said",
    [
        ("span_from_pct = 60\nspan_to_pct = 40\n", "an end beyond its start"),
        ("span_from_pct = 60\nspan_to_pct = 140\n", "within the wing"),
        ('surface = "aileron"\nspan_from_pct = 40\nspan_to_pct = 70\n', "within the aileron"),
        ('span_from_pct = 40\nspan_to_station = "9"\n', "a wing_station of the aircraft: 4"),
        ("span_from_pct = 40\n", "where the row begins and ends"),
        ('side = "port"\nspan_from_pct = 40\nspan_to_pct = 70\n', "both, left"),
        ("span_from_pct = 10\nspan_to_pct = 40\nchord_from_pct = 160\n", "0 to 100 %"),
    ],
)
def test_a_row_that_cannot_be_is_a_fault_in_words(row, said):
    _, faults = read(row)

    assert any(said in f"{fault.got} {fault.expected}" for fault in faults), [str(f) for f in faults]


def test_taking_off_what_was_never_fitted_is_a_fault():
    _, faults = parse_text(HEAD + 'takes_off = "cuff"\n' + CARD)

    (fault,) = faults
    assert "takes_off" in fault.where and fault.got == "cuff"
