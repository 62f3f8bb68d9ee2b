"""The spreadsheet round trip: unchanged says nothing, a changed row is a correction with its reason."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger_app.errors import ReviewError
from logger_app.records.calls import Action, CallKind, CallStatus, HeardCall, ReviewedCall
from logger_app.review.table import COLUMNS, read_changes, to_csv


def call(
    id="c1", value=58.0, at_s=10.0, kind=CallKind.AIRSPEED, name="ias", status=CallStatus.HEARD, words="fifty eight"
):
    start_ns = round(at_s * 1e9)
    unit = "kt" if kind is CallKind.AIRSPEED else None
    heard = HeardCall(
        id=id, start_ns=start_ns, end_ns=start_ns, kind=kind, name=name, value=value, unit=unit, words=words
    )
    return ReviewedCall(
        id=id,
        flight_ns=start_ns,
        end_ns=start_ns,
        kind=kind,
        name=name,
        value=value,
        unit=unit,
        status=status,
        heard=heard,
    )


CALLS = [call(), call("c2", 57.0, 11.2), call("e1", None, 12.0, CallKind.EVENT, "buffet")]


def edited(change, calls=CALLS):
    rows = list(csv.DictReader(io.StringIO(to_csv(calls, {"c1": ("1", "A1")}), newline="")))
    change(rows)
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows(rows)
    changes = read_changes(out.getvalue(), calls, "calls.csv", 100.0)
    assert not changes.conflicts
    return list(changes.wanted)


def test_an_unchanged_table_changes_nothing():
    assert edited(lambda rows: None) == []


def test_each_change_is_a_correction_with_its_reason():
    def change(rows):
        rows[0] |= {"value": "59", "reason": "heard on replay"}
        rows[1] |= {"status": "rejected"}
        rows[2] |= {"flight_s": "12.5"}
        rows.append(dict.fromkeys(COLUMNS, "") | {"flight_s": "13", "kind": "airspeed", "value": "55"})

    assert edited(change) == [
        (Action.SET, "c1", "heard on replay", {"value": 59.0}),
        (Action.REJECT, "c2", "", {}),
        (Action.MOVE, "e1", "", {"flight_ns": 12_500_000_000}),
        (Action.ADD, "", "", {"flight_ns": 13_000_000_000, "kind": "airspeed", "value": 55.0}),
    ]


def test_kind_status_and_reopening():
    def change(rows):
        rows[0] |= {"kind": "event", "name": "break", "value": ""}
        rows[1] |= {"status": "confirmed"}
        rows[2] |= {"status": "confirmed"}

    calls = [*CALLS[:2], call("e1", None, 12.0, CallKind.EVENT, "buffet", CallStatus.REJECTED)]
    assert edited(change, calls) == [
        (Action.SET, "c1", "", {"value": None, "kind": "event", "name": "break"}),
        (Action.CONFIRM, "c2", "", {}),
        (Action.CONFIRM, "e1", "", {}),
    ]


def test_a_spreadsheet_with_semicolons_decimal_commas_and_a_byte_order_mark():
    rows = list(csv.reader(io.StringIO(to_csv(CALLS[:1], {}), newline="")))
    rows[1] = [{"10.000": "10,000", "58": "58,5"}.get(cell, cell) for cell in rows[1]]
    out = io.StringIO()
    csv.writer(out, delimiter=";").writerows([*rows, [""] * len(COLUMNS)])

    changes = read_changes("\ufeff" + out.getvalue(), CALLS, "calls.csv", 100.0)
    assert changes.wanted == ((Action.SET, "c1", "", {"value": 58.5}),) and not changes.conflicts


def test_a_row_that_does_not_say_what_was_exported_is_taken_only_on_request():
    text = "id,flight_s,kind,name,value,unit,status\nc1,10,airspeed,ias,59,kt,heard\nc2,11.2,airspeed,ias,57,kt,heard\n"
    changes = read_changes(text, CALLS, "calls.csv", 100.0)

    assert not changes.wanted
    assert [(c.id, c.base, c.wanted) for c in changes.conflicts] == [
        ("c1", None, ((Action.SET, "c1", "", {"value": 59.0}),))
    ]


def test_every_fault_at_once_and_where():
    def change(rows):
        rows[0] |= {"flight_s": "100.5"}
        rows[1] |= {"kind": "shout"}
        rows[2] |= {"id": "gone"}
        rows.append(dict(rows[1]) | {"kind": "airspeed", "status": "maybe"})

    with pytest.raises(ReviewError) as caught:
        edited(change)
    text = str(caught.value)
    for words in (
        "line 2 flight_s: got '100.5'; expected 0 to 100.000 s",
        "line 3 kind: got 'shout'",
        "line 4 id: got an id that is not in this flight (gone)",
        "line 5 status: got 'maybe'",
    ):
        assert words in text


@pytest.mark.parametrize("text", ["", "id,kind\n1,2\n", "just words", "\x00\x01"])
def test_missing_columns_are_one_sentence(text):
    with pytest.raises(ReviewError, match="calls.csv line 1: got columns .* expected also"):
        read_changes(text, CALLS, "calls.csv", 100.0)


def test_an_id_twice_is_refused():
    with pytest.raises(ReviewError, match="in the table twice"):
        edited(lambda rows: rows.append(dict(rows[0])))


@pytest.mark.parametrize("words", ["=HYPERLINK(1)", "+1+2", "-2+3", "@SUM(A1)", "'=quoted"])
def test_no_cell_is_a_formula_for_a_spreadsheet(words):
    row = next(csv.DictReader(io.StringIO(to_csv([call(words=words)], {}), newline="")))

    assert row["words"][0] == "'"


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused_with_a_sentence(text):
    try:
        read_changes("id,flight_s,kind,value\n" + text, CALLS, "calls.csv", 100.0)
    except ReviewError as err:
        assert str(err).startswith("calls.csv line")


@pytest.mark.parametrize(
    "at, changes", [("10.001", 0), ("10.0014", 0), ("10.0016", 1), ("10.002", 1), ("9.998", 1), ("100.001", 1)]
)
def test_a_time_that_differs_by_rounding_was_not_changed(at, changes):
    assert len(edited(lambda rows: rows[0].update(flight_s=at))) == changes


@pytest.mark.parametrize("at", ["100.002", "-0.001", "nan", "inf", "", "x"])
def test_a_time_outside_the_flight_is_named(at):
    with pytest.raises(ReviewError, match=r"line 2 flight_s: got .*expected 0 to 100.000 s"):
        edited(lambda rows: rows[0].update(flight_s=at))


def test_the_very_first_moment_is_a_time():
    assert edited(lambda rows: rows[0].update(flight_s="0")) == [(Action.MOVE, "c1", "", {"flight_ns": 0})]


def test_a_rejected_row_changes_nothing_else_and_nothing_twice():
    rejected = [call(status=CallStatus.REJECTED), *CALLS[1:]]

    assert edited(lambda rows: rows[0].update(value="99", status="rejected")) == [(Action.REJECT, "c1", "", {})]
    assert edited(lambda rows: None, rejected) == []
    assert edited(lambda rows: rows[0].update(status=""), rejected) == []


def test_confirmed_again_changes_nothing():
    confirmed = [call(status=CallStatus.CONFIRMED), *CALLS[1:]]

    assert edited(lambda rows: rows[0].update(status="confirmed"), confirmed) == []
    assert edited(lambda rows: rows[0].update(status="confirmed", value="59")) == [
        (Action.SET, "c1", "", {"value": 59.0})
    ]


def test_units_and_names_that_are_emptied_stay():
    assert edited(lambda rows: rows[0].update(unit="", name="")) == []
    assert edited(lambda rows: rows[0].update(unit="mph")) == [(Action.SET, "c1", "", {"unit": "mph"})]


def test_an_added_row_brings_its_name_and_unit():
    def change(rows):
        rows.append(
            dict.fromkeys(COLUMNS, "")
            | {"flight_s": "13", "kind": "event", "name": "buffet", "value": "", "reason": "seen"}
        )

    assert edited(change) == [
        (Action.ADD, "", "seen", {"flight_ns": 13_000_000_000, "kind": "event", "value": None, "name": "buffet"})
    ]


def test_what_the_table_says_of_a_call():
    flagged = call(at_s=10.12345)
    row = next(csv.DictReader(io.StringIO(to_csv([flagged], {"c1": ("3", "A1")}), newline="")))

    assert (row["id"], row["flight_s"], row["value"], row["heard_value"], row["posterior"]) == (
        "c1",
        "10.123",
        "58",
        "58",
        "1.000",
    )
    assert (row["run"], row["point"], row["words"], row["status"], row["reason"]) == (
        "3",
        "A1",
        "fifty eight",
        "heard",
        "",
    )


def test_negative_numbers_stay_numbers_for_a_spreadsheet():
    row = next(
        csv.DictReader(io.StringIO(to_csv([call(value=-30.0, kind=CallKind.SETTING, name="bank")], {}), newline=""))
    )

    assert row["value"] == "-30"


def test_a_table_of_20_million_characters_is_refused():
    with pytest.raises(ReviewError, match="at most 20000000"):
        read_changes("x" * 20_000_001, [], "calls.csv", 1.0)


def test_the_separator_is_that_of_the_first_line():
    assert edited(lambda rows: rows[2].update(reason=";" * 40)) == []


def test_columns_that_are_there_are_named():
    with pytest.raises(ReviewError, match="got columns just words; expected also id, flight_s, kind, value"):
        read_changes("just words", CALLS, "calls.csv", 100.0)
    with pytest.raises(ReviewError, match="got columns nothing;"):
        read_changes("", CALLS, "calls.csv", 100.0)


def test_what_was_defused_comes_back_as_it_was_and_an_apostrophe_stays():
    odd = [call("e1", None, 12.0, CallKind.EVENT, "=cmd")]

    assert edited(lambda rows: None, odd) == []
    assert edited(lambda rows: rows[0].update(value="59", reason="'tis so"))[0][2] == "'tis so"
