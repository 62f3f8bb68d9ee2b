"""A long campaign's report: which runs its page details, what it says of the others, tables in parts."""

import csv
import re
from dataclasses import replace

import html5lib
import pyarrow as pa
import pypdf
import pytest
from pyarrow import parquet

from logger_app.errors import ReportError
from logger_app.records.calls import Action, Correction
from logger_app.records.results import without_details
from logger_app.report import tables_io, view
from logger_app.report.figures import MAX_DRAWN, thinned
from logger_app.report.report_io import ReportWriter
from logger_app.report.tables import REAL, TEXT, Table, points_table
from logger_app.report.tables_io import TableFiles, write_table
from logger_app.report.view import PageBuilder

MOST = 12


@pytest.fixture
def long(make, monkeypatch):
    """Six flights with 75 runs, of which a page details twelve."""
    monkeypatch.setattr(view, "MAX_DETAILED", MOST)
    return make(repeat=3)


def page_of(example, asked=()):
    return example.page(asked)


def keys(runs):
    return [(run.flight, run.run.number) for run in runs]


def test_a_short_campaign_details_every_run(make):
    page = page_of(make())

    assert page.shown == page.runs and page.chosen == ""


def test_a_long_campaign_details_some_of_every_configuration_at_every_point(long):
    page = page_of(long)

    assert len(page.runs) == 75 and len(page.shown) == MOST
    assert {(r.run.point, r.configuration) for r in page.shown} == {
        (p, c) for p in ("A1", "A2", "A3", "B1") for c in ("baseline", "cuffs")
    }
    assert page.chosen.startswith("12 of 75 runs are shown in detail: 8 nearest to an entry rate of 1 kt/s")
    assert "the newest of each configuration at each point" in page.chosen
    # Those that stand for others flew at 1 kt/s (one of them nobody reviewed: another stands in); what is left goes to the newest.
    assert sum(run.counts and run.result.entry_rate_kt_per_s == 1.0 for run in page.shown) >= 7
    assert sum(run.flight in ("day5_baseline", "day6_cuffs") for run in page.shown) >= 4


def test_runs_that_are_not_detailed_are_without_calls_but_count(long):
    page, all_of_it = page_of(long), [run for data in long.flights for run in data.runs.runs]

    assert [bool(run.calls) for run in page.runs] == [bool(run.anchor) for run in page.runs]
    assert sum(run.counts for run in page.runs) == 72
    assert page.calls_in_all == sum(len(run.calls) for run in all_of_it)
    assert page.unreviewed == (33, page.calls_in_all)
    assert [len(side.counting) for point in page.points for side in point.sides] == [9] * 8
    assert [point.caveat for point in page.points] == ["", "3 of 18 runs not reviewed", "", ""]


def test_what_is_asked_for_comes_first(long):
    page = page_of(long, ("day3_baseline:2-4", "day4_cuffs:7", long.flights[0].runs.runs[8].id))

    assert {
        ("day3_baseline", 2),
        ("day3_baseline", 3),
        ("day3_baseline", 4),
        ("day4_cuffs", 7),
        ("day1_baseline", 9),
    } <= set(keys(page.shown))
    assert "12 of 75 runs are shown in detail: 5 asked for; 7 nearest" in page.chosen


@pytest.mark.parametrize(
    ("asked", "description"),
    [
        (
            "day9:1",
            "--runs day9:1: no such run; expected FLIGHT, FLIGHT:3 or FLIGHT:3-9 with a flight of day1_baseline, day2_cuffs",
        ),
        ("day2_cuffs:77", "--runs day2_cuffs:77: no such run"),
        ("day1_baseline", "13 runs; a page details at most 12"),
    ],
)
def test_what_cannot_be_detailed_is_one_sentence(long, asked, description):
    with pytest.raises(ReportError, match=re.escape(description)):
        page_of(long, (asked,))


def test_a_run_asked_for_that_is_not_there_is_refused_in_a_short_campaign_too(make):
    with pytest.raises(ReportError, match="no such run"):
        page_of(make(), ("day9:1",))


def test_overruled_runs_and_those_far_from_their_cells_mean_are_detailed(long):
    far = next(r for r in long.reduction.runs if (r.flight, r.run_number) == ("day3_baseline", 4))
    runs = tuple(replace(r, vs_std_kt=r.vs_std_kt + 9.0) if r is far else r for r in long.reduction.runs)
    first = long.flights[1]
    overruled = tuple(replace(run, overruled=True) if run.number == 9 else run for run in first.runs.runs)
    flights = (long.flights[0], replace(first, runs=replace(first.runs, runs=overruled)), *long.flights[2:])

    page = page_of(replace(long, flights=flights, reduction=replace(long.reduction, runs=runs)))

    assert {("day3_baseline", 4), ("day2_cuffs", 9)} <= set(keys(page.shown))
    assert "overruled by the pilot, or more than 3 standard deviations" in page.chosen


def test_runs_of_saved_pictures_are_detailed(long):
    builder, results = PageBuilder(long.campaign), long.results
    for data in long.flights:
        builder.add(data, results[data.info.id])
    run = long.flights[1].runs.runs[10]

    page = builder.finish(
        long.reduction,
        lambda flight, _: (next(d for d in long.flights if d.info.id == flight), results[flight]),
        pictured=[("day2_cuffs", run.id)],
    )

    assert ("day2_cuffs", 11) in keys(page.shown)
    assert "1 shown in saved pictures" in page.chosen


def test_the_page_from_results_without_details_is_the_same(long):
    builder, results = PageBuilder(long.campaign), long.results
    looked = []

    def again(flight, ids):
        looked.append(flight)
        return next(d for d in long.flights if d.info.id == flight), [r for r in results[flight] if r.run in ids]

    for data in long.flights:
        builder.add(data, results[data.info.id])
    light = replace(long.reduction, runs=tuple(without_details(run) for run in long.reduction.runs))

    page = builder.finish(light, again)

    assert keys(page.shown) == keys(page_of(long).shown)
    assert [run.result for run in page.shown if run.result] == [
        r for r in long.reduction.runs if (r.flight, r.run_number) in set(keys(page.shown))
    ]
    assert sorted(set(looked)) == sorted(looked)


def test_the_long_page_says_what_it_leaves_out_and_all_its_links_lead_somewhere(long, tmp_path):
    path = long.write(tmp_path / "r", pdf=True)
    html = path.read_text("utf-8")

    parser = html5lib.HTMLParser(strict=True)
    parser.parse(html)
    assert parser.errors == []
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids)) and set(re.findall(r'href="#([^"]+)"', html)) - set(ids) == set()
    assert "Not every run is listed here." in html and "--runs FLIGHT:3-9,FLIGHT:12" in html
    assert html.count("<details id=") == MOST
    assert "Every run;" not in html and "Some of the runs with their calls." in html
    assert "<dd>75, 72 count</dd>" in html
    assert re.search(r"\d of 18 runs are drawn\.</figcaption>", html)
    with (tmp_path / "r" / "runs.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 75
    paper = " ".join(
        " ".join(sheet.extract_text() for sheet in pypdf.PdfReader(tmp_path / "r" / "report.pdf").pages).split()
    )
    assert "Not every run is listed here. 12 of 75 runs" in paper


def test_of_many_corrections_the_newest_are_listed(make, monkeypatch, tmp_path):
    monkeypatch.setattr(view, "MAX_LISTED", 3)
    example = make()
    calls = example.flights[1].runs.runs[0].calls
    many = tuple(
        Correction(id=f"k{k}", utc=f"2027-04-12T19:00:0{k}Z", who="crew 2", action=Action.CONFIRM, target=call.id)
        for k, call in enumerate(calls[:5])
    )
    example = replace(example, flights=(example.flights[0], replace(example.flights[1], corrections=many)))

    page = page_of(example)
    html = example.write(tmp_path / "r").read_text("utf-8")

    assert [k.id for _, k, _ in page.corrections] == ["k3", "k4", "k000001"]
    assert page.corrections_in_all == 6
    assert "6 in all" in html and "the newest 3 are listed" in html


@pytest.mark.parametrize("group_rows", [7, 5000])
def test_tables_written_in_parts_are_those_written_whole(long, tmp_path, monkeypatch, group_rows):
    whole = tmp_path / "whole"
    whole.mkdir()
    rows = tuple((f"={k}", k / 3 if k % 5 else None) for k in range(40))
    columns = (("name", TEXT), ("speed_kt", REAL))
    write_table(Table("t", columns, rows), whole)
    parquet.write_table(
        pa.table(
            {
                "name": pa.array([r[0] for r in rows], pa.string()),
                "speed_kt": pa.array([r[1] for r in rows], pa.float64()),
            }
        ),
        whole / "theirs.parquet",
    )
    monkeypatch.setattr(tables_io, "GROUP_ROWS", group_rows)

    with TableFiles("t", columns, tmp_path) as files:
        for k in range(0, 40, 8):
            files.add(Table("t", columns, rows[k : k + 8]))

    assert (tmp_path / "t.csv").read_bytes() == (whole / "t.csv").read_bytes()
    assert parquet.read_table(tmp_path / "t.parquet").equals(parquet.read_table(whole / "theirs.parquet"))
    assert parquet.ParquetFile(tmp_path / "t.parquet").num_row_groups == -(-40 // group_rows)
    assert (whole / "t.parquet").read_bytes() == (whole / "theirs.parquet").read_bytes()


def test_an_empty_table_has_its_columns(tmp_path):
    write_table(Table("t", (("name", TEXT),), ()), tmp_path)

    assert parquet.read_table(tmp_path / "t.parquet").schema.names == ["name"]
    assert (tmp_path / "t.csv").read_bytes() == b"name\r\n"


def test_a_spreadsheets_cell_is_not_asked_to_hold_ten_thousand_ids(make):
    example = make()
    cell = replace(example.reduction.cells[0], runs=tuple(f"flight/run-{k}" for k in range(10_000)))
    example = replace(example, reduction=replace(example.reduction, cells=(cell, *example.reduction.cells[1:])))

    rows = points_table(page_of(example)).rows

    assert rows[0][-3].startswith("10000 runs: those of runs.csv")
    assert rows[1][-3] == " ".join(example.reduction.cells[1].runs)


def test_what_is_drawn_of_many_is_even_and_holds_the_ends_and_the_detailed(long):
    page = page_of(long)
    runs = [replace(page.runs[k % 75], anchor="x" if k == 333 else "") for k in range(1000)]
    place = {id(run): k for k, run in enumerate(runs)}

    drawn = [place[id(run)] for run, _ in thinned([(run, place[id(run)]) for run in runs])]

    assert drawn == sorted(drawn) and len(drawn) <= MAX_DRAWN + 1
    assert {0, 333, 999} <= set(drawn)
    assert max(b - a for a, b in zip(drawn, drawn[1:], strict=False)) <= 9
    assert [run for run, _ in thinned([(run, 0.0) for run in runs[:5]])] == runs[:5]


def test_a_report_given_up_in_the_middle_leaves_nothing_and_makes_no_folder(make, tmp_path):
    example = make()
    with pytest.raises(KeyboardInterrupt), ReportWriter(tmp_path / "a" / "b" / "report", example.campaign) as report:
        report.add(example.flights[0], example.reduction.runs)
        raise KeyboardInterrupt

    assert list(tmp_path.iterdir()) == []
