"""The report as a whole: self-contained, escaped, replaced whole or not at all."""

import csv
import errno
import json
import os
import re
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest
from pyarrow import parquet

from logger_app.errors import ReportError
from logger_app.records.calls import CallStatus
from logger_app.records.runs import FlightReview
from logger_app.report import report_io


def tree(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


WHEN = "2027-04-12T20:00:00Z"


def written(tmp_path, example, **more):
    page = example.write(tmp_path / "report", made_utc=WHEN, **more)
    return page.read_text("utf-8")


@pytest.fixture(scope="module")
def html(example, tmp_path_factory):
    return written(tmp_path_factory.mktemp("page"), example)


def test_the_page_is_valid_html(html):
    parser = html5lib.HTMLParser(strict=True)

    parser.parse(html)

    assert parser.errors == []


def test_nothing_on_the_page_points_outside(html):
    assert re.findall(r"https?:", html) == []
    assert re.findall(r"""(?:src|href|srcset|data|action)\s*=\s*["']?(?!#|data:)([^"'> ]+)""", html) == []
    assert "@import" not in html and "url(" not in html


def test_every_link_has_a_target_and_no_id_comes_twice(html):
    ids = re.findall(r' id="([^"]+)"', html)
    targets = set(re.findall(r'href="#([^"]+)"', html))

    assert len(ids) == len(set(ids))
    assert targets - set(ids) == set()


def test_the_answer_stands_before_the_evidence(html):
    first = [
        html.index(f'id="{name}"')
        for name in ("answer", "forest-1-t", "cautions", "p1", "runs", "excluded", "method", "provenance")
    ]

    assert first == sorted(first)
    claims = html.index('<ul class="claims">')
    assert first[0] < claims < first[1]
    assert re.search(r"Stall</span> <span>lower at \d of 4 points", html[claims : claims + 800])


def test_each_run_leads_to_its_calls_and_their_times(html, example):
    for k, data in enumerate(example.flights, 1):
        for run in data.runs.runs:
            assert f'<details id="r{k}-{run.number}">' in html
            assert f'href="#r{k}-{run.number}"' in html
    assert html.count("<audio") == 0


def test_the_same_records_give_the_same_page(html, example, tmp_path):
    assert written(tmp_path, example) == html


def test_what_is_unreviewed_is_marked_wherever_it_reaches(html):
    assert "11 of 302 calls in runs have not been looked at" in html
    assert html.index("1 of 24 runs not reviewed by a person") < html.index("forest-1-t")
    assert len(re.findall(r"1 of 6 runs not reviewed", html)) >= 3  # table, test point, figure
    assert "11 of 11 calls not reviewed" in html


def test_the_correction_is_shown_with_who_when_and_why(html):
    assert "crew 2" in html and "2027-04-12T19:03:11Z" in html and "the sound says it plainly" in html
    assert re.search(r"heard as 6\d", html)


def test_markup_in_names_is_inert(make, tmp_path):
    evil = make(name="<script>alert(1)</script>", points=("A1",))
    card = replace(evil.campaign.cards[0], title="</style><script>alert(2)</script>")
    evil = replace(evil, campaign=replace(evil.campaign, cards=(card,)))

    html = written(tmp_path, evil)

    assert "<script>alert" not in html
    assert len(re.findall(r"<script", html)) == 1


def test_tables_can_be_read_back(example, tmp_path):
    written(tmp_path, example)
    with (tmp_path / "report" / "runs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    table = parquet.read_table(tmp_path / "report" / "runs.parquet").to_pylist()

    assert len(rows) == len(table) == 25
    reduced = {(r.flight, r.run): r for r in example.reduction.runs}
    for text, value in zip(rows, table, strict=True):
        if result := reduced.get((value["flight"], value["run"])):
            assert float(text["vs_ias_kt"]) == value["vs_ias_kt"] == result.vs_ias_kt
    assert [row["counts"] for row in rows].count("false") == 1
    assert rows[12]["why"] == "discarded: scratch that"
    assert [p["vs_ias_kt"] for p in table].count(None) == 1


def test_the_manifest_names_every_file_with_its_hash(example, tmp_path):
    written(tmp_path, example)
    folder = tmp_path / "report"
    manifest = json.loads((folder / "versions.json").read_text("utf-8"))

    assert set(manifest["files_sha256"]) == set(tree(folder)) - {"versions.json"}
    assert manifest["journals_sha256"] == {"day1_baseline": "ab" * 32, "day2_cuffs": "ab" * 32}


def test_paths_with_spaces_and_other_letters(example, tmp_path):
    page = example.write(tmp_path / "Bericht für Ωμέγα – 報告")

    assert page.is_file()


def test_no_flight_is_one_sentence_and_nothing_is_written(example, tmp_path):
    with pytest.raises(ReportError, match="no flight"):
        replace(example, flights=()).write(tmp_path / "report")

    assert list(tmp_path.iterdir()) == []


def test_one_configuration_gives_speeds_and_says_that_there_is_nothing_to_compare(make, tmp_path):
    html = written(tmp_path, make(configurations=("baseline",)))

    assert "Only one configuration has been flown" in html
    assert "What can be concluded" not in html


def test_nothing_reviewed_is_said_at_the_top(make, tmp_path):
    example = make(points=("A1",))
    flights = tuple(
        replace(
            d,
            runs=replace(
                d.runs,
                runs=tuple(
                    replace(r, calls=tuple(replace(c, status=CallStatus.HEARD) for c in r.calls)) for r in d.runs.runs
                ),
            ),
        )
        for d in example.flights
    )

    runs = tuple(replace(run, reviewed=False) for run in example.reduction.runs)
    nothing = replace(example, flights=flights, reduction=replace(example.reduction, runs=runs))
    html = written(tmp_path, nothing)

    assert html.index("6 of 6 runs not reviewed by a person") < html.index("forest-1-t")
    assert "No call has been looked at by a person yet" in html


def test_a_settled_queue_is_said_as_reviewed_on_the_page_and_in_the_pdf(make, tmp_path):
    from pypdf import PdfReader

    def report(to_check, reviewed, folder):
        example = make(points=("A1",))
        reviews = tuple(
            FlightReview(
                flight=d.info.id, calls=100, heard_again=10, flagged=4, sampled=6, corrected=1, to_check=to_check
            )
            for d in example.flights
        )
        heard = [
            replace(d.runs, runs=tuple(replace(r, calls=tuple(map(as_heard, r.calls))) for r in d.runs.runs))
            for d in example.flights
        ]
        flights = tuple(replace(d, runs=r, review=one) for d, r, one in zip(example.flights, heard, reviews))
        runs = tuple(replace(run, reviewed=reviewed) for run in example.reduction.runs)
        example = replace(example, flights=flights, reduction=replace(example.reduction, runs=runs, reviews=reviews))
        example.write(tmp_path / folder, pdf=True, made_utc="2027-04-12T20:00:00Z")
        pdf = PdfReader(tmp_path / folder / "report.pdf").pages[0].extract_text()
        return (tmp_path / folder / "index.html").read_text("utf-8"), " ".join(pdf.split()), len(reviews)

    page, pdf, flights = report(0, True, "after")
    said = f"reviewed: {4 * flights} flagged, {6 * flights} sampled, {flights} corrected; 10 % of the calls heard again"
    assert f"<dd>{said}</dd>" in page and said in pdf
    assert "runs not reviewed" not in page and "No call has been looked at" not in page

    page, pdf, flights = report(3, False, "before")
    said = f"not reviewed: {3 * flights} to check"
    assert f"<dd>{said}" in page and said in pdf
    assert "runs not reviewed by a person" in page


def as_heard(call):
    return replace(call, status=CallStatus.HEARD)


@pytest.fixture
def old_report(example, tmp_path):
    written(tmp_path, example)
    (tmp_path / "report" / "notes of the owner.txt").write_text("mine")
    return tree(tmp_path / "report")


def fail(code):
    def failing(*args, **kwargs):
        raise OSError(code, os.strerror(code))

    return failing


@pytest.mark.parametrize("where", ["write_table", "render_page", "_write_manifest", "sync_file"])
def test_a_full_disk_leaves_the_old_report(example, tmp_path, old_report, monkeypatch, where):
    monkeypatch.setattr(report_io, where, fail(errno.ENOSPC))

    with pytest.raises(ReportError, match="disk is full"):
        written(tmp_path, example)

    assert tree(tmp_path / "report") == old_report
    assert not [p for p in (tmp_path / "report").iterdir() if p.name.startswith(".")]


def test_a_fault_while_moving_in_puts_the_old_report_back(example, tmp_path, old_report, monkeypatch):
    real, moved = os.replace, []

    def replace_some(a, b):
        moved.append(b)
        if len(moved) == 12:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(a, b)

    monkeypatch.setattr(report_io.os, "replace", replace_some)
    with pytest.raises(ReportError):
        written(tmp_path, example)

    assert tree(tmp_path / "report") == old_report
    assert not [p for p in (tmp_path / "report").iterdir() if p.name.startswith(".")]


def test_a_new_report_replaces_the_old_one_and_leaves_other_files(make, tmp_path, old_report):
    written(tmp_path, make(name="Second", points=("A1",)))

    folder = tmp_path / "report"
    assert (folder / "notes of the owner.txt").read_text() == "mine"
    assert "Second" in (folder / "index.html").read_text("utf-8")
    gone = {f"figures/p{k}-{what}.svg" for k in (2, 3, 4) for what in ("approaches", "rate", "warning")}
    assert set(tree(folder)) == set(old_report) - gone


def test_a_target_that_is_a_file_is_refused(example, tmp_path):
    (tmp_path / "report").write_text("a file")

    with pytest.raises(ReportError, match="is a file"):
        written(tmp_path, example)

    assert (tmp_path / "report").read_text() == "a file"


def test_a_read_only_target_is_one_sentence(example, tmp_path, monkeypatch):
    monkeypatch.setattr(report_io.tempfile, "mkdtemp", fail(errno.EROFS))

    with pytest.raises(ReportError, match="read-only"):
        written(tmp_path, example)

    assert list(Path(tmp_path).iterdir()) == []


def test_a_folder_with_files_of_somebody_else_is_refused(example, tmp_path):
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "runs.csv").write_text("not yours")

    with pytest.raises(ReportError, match=r"runs\.csv"):
        written(tmp_path, example)

    assert [p.name for p in (tmp_path / "report").iterdir()] == ["runs.csv"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a child process")
@pytest.mark.parametrize("at", [1, 2, 7, 15, 25, 40])
def test_a_kill_while_moving_in_leaves_every_file_old_or_new_and_the_next_report_works(
    example, tmp_path, old_report, at
):
    campaign = replace(example.campaign, name="another name")
    child = os.fork()
    if child == 0:
        count, real = [0], os.replace

        def replace_until_killed(a, b):
            count[0] += 1
            if count[0] == at:
                os._exit(9)
            return real(a, b)

        report_io.os.replace = replace_until_killed
        try:
            written(tmp_path, replace(example, campaign=campaign))
        finally:
            os._exit(0)
    os.waitpid(child, 0)
    left = {name: data for name, data in tree(tmp_path / "report").items() if not name.startswith(".")}
    written(tmp_path, replace(example, campaign=campaign))
    new = tree(tmp_path / "report")

    assert set(left) >= set(old_report) & {name for name in new if not name.startswith(".")}
    listing = "versions.json"
    assert all(data in (old_report.get(name), new.get(name)) for name, data in left.items() if name != listing)
    json.loads(left[listing])
    sums = json.loads(new[listing])["files_sha256"]
    assert {name for name in new if not name.startswith(".")} == {*sums, listing, "notes of the owner.txt"}
