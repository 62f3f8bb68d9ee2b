"""The results file: whole or not at all."""

import io
import json

import pytest

from logger_app.errors import ReportError
from logger_app.reduce.campaign import reduce_campaign
from logger_app.reduce.results_io import ResultsDocument, write_text


def reduced(make):
    return reduce_campaign(make.campaign(name="Höhe"), [make.flight([make.run(), make.run(id="r2", number=2)])])


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
    assert "Höhe" in text
    assert [run["run"] for run in json.loads(text)["runs"]] == ["r1", "r2"]
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
