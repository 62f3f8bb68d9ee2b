"""The results file: whole or not at all."""

import io
import json
from pathlib import Path

import pytest

from logger_app.errors import ReportError
from logger_app.reduce.campaign import reduce_campaign
from logger_app.reduce.results_io import ResultsDocument, write_text


def reduced(make):
    return reduce_campaign(make.campaign(name="Höhe"), [make.flight([make.run(), make.run(id="rü", number=2)])])


def written(result, folder, **more):
    with ResultsDocument(folder, **more) as document:
        document.add(result.runs[:1])
        document.add(result.runs[1:])
        path = document.finish(result)
        out = io.StringIO()
        document.copy_to(out)
    return path, out.getvalue()


def test_runs_are_written_as_they_come_and_the_rest_at_the_end(make, tmp_path):
    result = reduced(make)
    for _ in range(2):  # the folder is there the second time
        path, text = written(result, tmp_path)

    assert path == tmp_path / "results" / "reduction.json" and path.read_text("utf-8") == text
    assert "Höhe" in text and "\\u00" not in text
    assert [run["run"] for run in json.loads(text)["runs"]] == ["r1", "rü"]
    assert [p.name for p in path.parent.iterdir()] == ["reduction.json"]  # nothing half-written lies about
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_without_writing_it_goes_to_whoever_asks(make, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    path, text = written(reduced(make), tmp_path, write=False)

    assert path is None and json.loads(text)["campaign"] == "Höhe"
    assert not (tmp_path / "results").exists()


def test_no_runs_are_an_empty_list(make, tmp_path):
    result = reduce_campaign(make.campaign(), [])
    with ResultsDocument(tmp_path) as document:
        path = document.finish(result)

    assert json.loads(path.read_text("utf-8"))["runs"] == []


def test_a_place_that_cannot_be_written_is_one_sentence(make, tmp_path):
    (tmp_path / "results").write_text("a file", encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written .*nothing was changed"):
        written(reduced(make), tmp_path)
    with pytest.raises(ReportError, match="cannot be written .*nothing was changed"):
        write_text(tmp_path / "results" / "x.toml", "text")
    assert (tmp_path / "results").read_text("utf-8") == "a file"


def test_runs_wait_in_the_campaigns_folder_or_where_it_is_not_written_in_the_users(make, tmp_path, monkeypatch):
    import tempfile

    from logger_app.reduce import results_io

    user, places, kept = tmp_path / "home" / "user", [], tempfile.SpooledTemporaryFile
    monkeypatch.setattr(results_io, "user_dir", lambda: user)
    monkeypatch.setattr(
        tempfile, "SpooledTemporaryFile", lambda *a, dir, **more: places.append(dir) or kept(*a, dir=dir, **more)
    )
    campaign = tmp_path / "campaign"
    campaign.mkdir()
    for write in (True, False, False):
        written(reduced(make), campaign, write=write)

    assert [Path(place) for place in places] == [campaign, user, user] and user.is_dir()
