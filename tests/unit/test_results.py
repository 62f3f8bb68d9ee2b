"""What a notebook gets is what stands in the report's files, and reducing it again by hand gives the same means."""

import pandas as pd
import pytest

from logger_app import results
from logger_app.__main__ import main
from tests.made_campaign import make_campaign


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return make_campaign(tmp_path_factory.mktemp("made") / "c", ("day1_baseline", "day2_cuffs"), sound_s=0)


@pytest.fixture(scope="module")
def tables(campaign):
    return results.load(str(campaign))


@pytest.mark.parametrize("name", ["runs", "calls", "points", "comparisons"])
def test_the_frames_are_those_of_the_files(campaign, tables, tmp_path, name):
    assert main(["report", str(campaign), "-o", str(tmp_path / "r")]) == 0
    frame = getattr(tables, name)
    read = pd.read_parquet(tmp_path / "r" / f"{name}.parquet").astype(frame.dtypes.to_dict())
    lines = pd.read_csv(tmp_path / "r" / f"{name}.csv", dtype=str, keep_default_na=False)

    pd.testing.assert_frame_equal(frame, read)
    assert list(lines.columns) == list(frame.columns) and len(lines) == len(frame) > 0
    for column in frame.select_dtypes("float64"):
        assert pd.to_numeric(lines[column]).tolist() == pytest.approx(frame[column].tolist(), abs=1e-6, nan_ok=True)


def test_a_mean_by_hand_is_the_points(tables):
    counted = tables.runs[tables.runs.counts]
    by_hand = counted.groupby(["point", "configuration"]).vs_ias_kt.mean()
    ours = tables.points.set_index(["point", "configuration"]).vs_ias_kt

    assert len(by_hand) == 2
    assert by_hand.to_dict() == pytest.approx(ours.to_dict())


def test_nothing_is_written(campaign, tables):
    assert not (campaign / "results").exists()
    assert str(tables.runs.vs_ias_kt.dtype) == "float64" and str(tables.calls.used_in_fit.dtype) == "boolean"


def test_a_campaign_without_flights_has_empty_tables(tmp_path):
    campaign = make_campaign(tmp_path / "empty", ())
    tables = results.load(campaign)

    assert len(tables.runs) == len(tables.comparisons) == 0
    assert "vs_ias_kt" in tables.runs and "posterior" in tables.calls
