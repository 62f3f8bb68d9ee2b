"""Every text of every record turned into markup: the page stays valid and inert, the PDF is made, tables are safe."""

import csv
import dataclasses
import enum
import re
from xml.etree import ElementTree

import html5lib
import pytest

from logger_app.domain.cameras import CameraFile
from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.report.extras import Extras
from logger_app.units import NS_PER_S

POISON = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>{{ 7*7 }}</style></b>&amp;\N{RIGHT-TO-LEFT OVERRIDE}\x0b=cmd"
# What other code keys on, or what says a kind rather than a name.
KEEP = {
    "id",
    "run",
    "flight",
    "point",
    "configuration",
    "parent",
    "reference",
    "changed",
    "target",
    "unit",
    "status",
    "kind",
    "event",
    "method",
    "basis",
    "verdict",
    "runs",
    "calls_used",
    "action",
    "load_factor_basis",
    "language",
    "history",
}


def poisoned(value):
    """The same record with every free text replaced."""
    if dataclasses.is_dataclass(value):
        fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
        return dataclasses.replace(value, **{k: v if k in KEEP else poisoned(v) for k, v in fields.items()})
    if isinstance(value, enum.Enum):
        return value
    if isinstance(value, tuple):
        return tuple(poisoned(v) for v in value)
    return POISON if isinstance(value, str) and value else value


@pytest.fixture(scope="module")
def report(make, tmp_path_factory):
    example = make(points=("A1", "A2"))
    flight = example.flights[0].info.id
    mark = TuftMark(
        flight_ns=30 * NS_PER_S,
        camera=POISON,
        frame_pts=0,
        station=POISON,
        state=TuftState.SEPARATED,
        ias_kt=50.0,
        who=POISON,
    )
    extras = Extras(
        cameras=(CameraFile(flight=flight, camera=POISON, file=POISON),),
        tufts=((flight, mark),),
        versions=((POISON, POISON),),
    )
    parts = [poisoned(part) for part in (example.campaign, example.flights, example.reduction)]
    # Which calls a fit used and what was left out are told by id.
    parts[2] = dataclasses.replace(parts[2], excluded=example.reduction.excluded)
    out = tmp_path_factory.mktemp("hostile") / "r"
    type(example)(*parts).write(out, extras=extras, pdf=True)
    return out


def test_the_page_is_valid_and_has_no_script_but_its_own(report):
    html = (report / "index.html").read_text("utf-8")
    parser = html5lib.HTMLParser(strict=False)
    tree = parser.parse(html)
    elements = list(tree.iter())
    names = [str(e.tag).rpartition("}")[2] for e in elements]

    assert parser.errors == []
    assert names.count("script") == 1 and "img" not in names
    assert not [k for e in elements for k in e.attrib if str(k).lower().startswith("on")]
    assert html.count("{{ 7*7 }}") > 50 and "49</style>" not in html


def test_every_figure_file_is_an_svg_that_opens(report):
    for path in (report / "figures").iterdir():
        assert ElementTree.parse(path).getroot().tag.endswith("svg")


def test_the_tables_hold_no_formula(report):
    for path in report.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in list(csv.reader(file))[1:]:
                for cell in row:
                    assert not cell.startswith(("=", "+", "@", "\t", "\r"))


def test_the_pdf_is_there_and_files_lie_only_in_the_report(report):
    assert (report / "report.pdf").read_bytes().startswith(b"%PDF")
    assert {p.parent.relative_to(report).as_posix() for p in report.rglob("*") if p.is_file()} == {
        ".",
        "figures",
        "subtitles",
    }


@pytest.mark.parametrize("unit", ["mph", "km/h"])
def test_a_dial_in_another_unit_is_shown_as_the_pilot_reads_it(make, tmp_path, unit):
    example = make(points=("A1",))
    indicator = dataclasses.replace(example.campaign.indicator, unit=unit)
    campaign = dataclasses.replace(example.campaign, indicator=indicator)
    cell = example.reduction.cells[0]
    factor = {"mph": 1852 / 1609.344, "km/h": 1.852}[unit]

    page = dataclasses.replace(example, campaign=campaign).write(tmp_path / "r", pdf=True)
    html = page.read_text("utf-8")

    assert f"<span>{cell.vs_ias_kt * factor:.1f}</span></td>" in html
    compared = example.reduction.comparisons[0]
    assert f"{compared.difference_kt * factor:+.1f}".replace("-", "−") + "</span>" in html
    assert not re.search(r"\d kt\b", re.sub(r"(1|5) kt", "", html.partition('id="p1"')[0].partition("<body>")[2]))
    assert f"indicated airspeed [{unit}]" in html
    html5lib.HTMLParser(strict=True).parse(html)


def test_three_configurations_are_each_compared_and_drawn_apart(make, tmp_path):
    example = make(points=("A1", "B1"))
    third = dataclasses.replace(example.campaign.configurations[1], id="fences", name="Fences")
    flight = example.flights[1]
    again = dataclasses.replace(
        flight,
        info=dataclasses.replace(flight.info, id="day3", configuration="fences"),
        runs=dataclasses.replace(
            flight.runs, flight="day3", runs=tuple(dataclasses.replace(r, flight="day3") for r in flight.runs.runs)
        ),
    )
    swap = {"flight": "day3", "configuration": "fences"}
    results = [dataclasses.replace(r, **swap) for r in example.reduction.runs if r.flight == flight.info.id]
    cells = [
        dataclasses.replace(c, configuration="fences") for c in example.reduction.cells if c.configuration == "cuffs"
    ]
    compared = [dataclasses.replace(c, changed="fences") for c in example.reduction.comparisons]
    reduction = dataclasses.replace(
        example.reduction,
        runs=example.reduction.runs + tuple(results),
        cells=example.reduction.cells + tuple(cells),
        comparisons=example.reduction.comparisons + tuple(compared),
    )
    campaign = dataclasses.replace(example.campaign, configurations=(*example.campaign.configurations, third))

    html = (
        dataclasses.replace(example, campaign=campaign, flights=(*example.flights, again), reduction=reduction)
        .write(tmp_path / "r")
        .read_text("utf-8")
    )

    assert html.count("<caption>Fences against Plain wing, tufted") == 1
    assert "forest-2-t" in html and "s-s2" in html
    html5lib.HTMLParser(strict=True).parse(html)
