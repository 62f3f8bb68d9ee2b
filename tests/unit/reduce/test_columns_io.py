"""A recorder's table by other names than ours: given, remembered, guessed, and refused without a unit."""

import numpy as np
import pytest

from logger_app.errors import ReduceError
from logger_app.reduce.columns_io import guess_columns, our_names, parse_columns, remember, remembered
from logger_app.reduce.trace_io import read_trace

TABLE = """Lcl Date, Lcl Time, Indicated Airspeed (mph), IAS, OAT (deg C), NormAc (G), RPM
2031-05-04, 10:22:31, 60, 52.1, 14, 1.01, 2100
2031-05-04, 10:22:32, 59, 51.3, 14, 1.02, 2100
2031-05-04, 10:22:33.5, 58, 50.4, 14, 0.99, 2100
"""


def table(tmp_path, text=TABLE):
    path = tmp_path / "recorder.csv"
    path.write_text(text, "utf-8")
    return path


def test_a_recorders_names_are_guessed_with_their_units_and_said(tmp_path):
    trace = read_trace(table(tmp_path))

    assert trace.time_s.tolist() == [0.0, 1.0, 2.5]
    # One mile an hour is 0.868976 kt (1609.344 m and 1852 m, both exact by definition).
    assert trace.columns["ias_kt"] == pytest.approx(np.array([60, 59, 58]) * 1609.344 / 1852)
    assert trace.columns["oat_degc"].tolist() == [14, 14, 14]
    assert trace.notes[0].startswith("columns guessed: ")


def test_columns_given_win_and_may_bring_the_unit(tmp_path):
    trace = read_trace(table(tmp_path), parse_columns("time=Lcl Time,ias_kt=IAS"))

    assert trace.columns["ias_kt"].tolist() == [52.1, 51.3, 50.4]
    assert trace.notes == ()


def test_a_column_without_a_unit_or_not_in_the_file_is_refused(tmp_path):
    with pytest.raises(ReduceError) as caught:
        read_trace(table(tmp_path), parse_columns("time=Lcl Time,ias=IAS"))
    assert "ias_mph=IAS" in str(caught.value)
    with pytest.raises(ReduceError):
        read_trace(table(tmp_path), parse_columns("time=Lcl Time,ias=Airspeed (kt)"))
    with pytest.raises(ReduceError):
        parse_columns("speed=IAS")


def test_they_are_remembered_in_the_campaign(tmp_path):
    columns = {"time": "Lcl Time", "ias": "Indicated Airspeed (mph)"}
    remember(tmp_path, columns)

    assert remembered(tmp_path) == columns
    assert remembered(tmp_path / "none") == {}


def test_a_name_that_could_be_anything_is_not_guessed():
    assert guess_columns(["a", "b", "IAS"]) == {}
    assert our_names({"ias": "IAS (kt)"}, ["ias (kt)"], "x") == {"ias (kt)": "ias_kt"}
