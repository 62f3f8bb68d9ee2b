"""Tables: units in names, nothing that a spreadsheet runs, numbers that come back."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.report.tables import (
    REAL,
    TEXT,
    WHOLE,
    YES,
    Table,
    calls_table,
    comparisons_table,
    csv_frame,
    harmless,
    points_table,
    runs_table,
)
from logger_app.report.tables_io import write_table
from logger_app.report.view import PageBuilder

BARE = {"n", "n_reference", "n_changed", "p", "p_adjusted", "wing_drop_p", "posterior", "run_number", "cl_max"}


@pytest.fixture
def tables(example):
    builder, results = PageBuilder(example.campaign), example.results
    flights = [builder.add(data, results[data.info.id]) for data in example.flights]
    page = builder.finish(example.reduction)
    return (
        runs_table(flights[0], example.campaign),
        calls_table(flights[1]),
        points_table(page),
        comparisons_table(page),
    )


def test_every_number_has_its_unit_in_the_name(tables):
    units = ("_kt", "_kt_per_s", "_s", "_ft", "_kg", "_mm", "_deg")
    for table in tables:
        for name, kind in table.columns:
            if kind in (REAL,) and name not in BARE:
                assert name.endswith(units) or "_kt" in name, name


def test_airspeeds_say_of_which_kind_they_are(tables):
    for table in tables:
        speeds = [name for name, _ in table.columns if name.startswith("vs_")]
        assert all("_ias_" in name or "_cas_" in name for name in speeds)


def test_every_row_is_as_long_as_the_header(tables):
    for table in tables:
        assert {len(row) for row in table.rows} == {len(table.columns)}
        assert len({name for name, _ in table.columns}) == len(table.columns)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_text_that_begins_like_a_formula_is_made_harmless(text):
    """The list of OWASP, "CSV Injection": = + - @ tab and carriage return."""
    assert harmless(text)[0] == "'"


@settings(deadline=None, max_examples=60)
@given(st.text(), st.floats(-1e6, 1e6), st.integers(-9, 9), st.booleans())
def test_whatever_the_text_no_cell_begins_a_formula_and_numbers_come_back(text, real, whole, yes):
    table = Table("t", (("a", TEXT), ("b_kt", REAL), ("c", WHOLE), ("d", YES)), ((text, real, whole, yes),))
    row = csv_frame(table.frame()).iloc[0].tolist()

    assert not row[0].startswith(("=", "+", "-", "@", "\t", "\r"))
    assert row[0].removeprefix("'") == text.removeprefix("'")
    assert float(row[1]) == pytest.approx(real, abs=1e-6)
    assert (int(row[2]), row[3]) == (whole, "true" if yes else "false")


def test_missing_values_are_empty_cells(tmp_path):
    table = Table("t", (("a", TEXT), ("b_kt", REAL)), ((None, None), ("x", float("nan"))))

    write_table(table, tmp_path)

    assert (tmp_path / "t.csv").read_bytes() == b"a,b_kt\r\n,\r\nx,\r\n"
