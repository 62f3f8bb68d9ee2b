"""Pictures saved from comparing on the page: what stands under them, and whether it still holds."""

import io
import re
import subprocess
from dataclasses import replace

import html5lib
import pytest
from PIL import Image

from logger_app.domain.wing_words import MapCell
from logger_app.records.stills import SavedPicture, SavedShot, SavedSide
from logger_app.report.extras import Extras, SavedStill, WingCell, WingMap
from logger_app.report.media import place_media

JPEG = b"\xff\xd8" + b"s" * 700


@pytest.fixture
def still(example):
    """Saved of the first run of each configuration at A1, as they are reduced."""
    sides = []
    for name in ("baseline", "cuffs"):
        result = next(r for r in example.reduction.runs if (r.point, r.configuration) == ("A1", name) and r.counts)
        shot = SavedShot(
            at="at the stall",
            flight_s=result.event_flight_s - 0.5,
            ias_kt=result.vs_ias_kt,
            camera="wing",
            stations=(("10/20", "separated", False), ("10/50", "attached", True)),
        )
        sides.append(
            SavedSide(
                configuration=name,
                name=f"The {name}",
                flight=result.flight,
                run=result.run,
                run_number=result.run_number,
                event_flight_s=result.event_flight_s,
                vs_ias_kt=result.vs_ias_kt,
                shots=(shot,),
            )
        )
    about = SavedPicture(
        kind="still",
        point="A1",
        words="at the stall",
        sides=tuple(sides),
        why="the nearest entry rates",
        who="ann <b>",
        made_utc="2027-04-11T10:00:00Z",
        file="A1_001.png",
    )
    return SavedStill(about=about, jpeg=JPEG)


def written(example, folder, *stills, **more):
    return example.write(folder / "r", extras=Extras(stills=stills, **more)).read_text("utf-8")


def test_the_caption_says_point_configurations_speeds_runs_and_why(example, still, tmp_path):
    html = written(example, tmp_path, still)
    found = re.search(r'<figure class="saved">.*?</figure>', html, re.DOTALL).group()
    text = re.sub(r"<[^>]+>", "", found)

    assert 'src="data:image/jpeg;base64,' in found and 'alt="at the stall: The baseline' in found
    for side in still.about.sides:
        assert (
            f"{side.name} ({side.flight}, run {side.run_number}): at the stall, {side.vs_ias_kt:.1f} kt indicated"
            in text
        )
    assert text.count("stations in span/chord percent: separated 10/20; only proposed: attached 10/50") == 2
    assert (
        "Runs: the nearest entry rates." in text and "Saved by ann &lt;b&gt; 2027-04-11T10:00:00Z, A1_001.png" in text
    )
    assert "as it was when saved" not in text
    assert html.index('class="saved"') < html.index('<section id="p2"') and html.index('class="saved"') > html.index(
        '<section id="p1"'
    )
    html5lib.HTMLParser(strict=True).parse(html)


def test_the_pdf_has_the_picture_and_the_same_caption(example, still, tmp_path):
    picture = io.BytesIO()
    Image.new("RGB", (900, 400), (90, 120, 90)).save(picture, "JPEG")
    example.write(tmp_path / "r", pdf=True, extras=Extras(stills=(replace(still, jpeg=picture.getvalue()),)))
    pdf = tmp_path / "r/report.pdf"
    said = " ".join(subprocess.run(["pdftotext", pdf, "-"], capture_output=True, check=True).stdout.decode().split())
    images = subprocess.run(["pdfimages", "-list", pdf], capture_output=True, check=True).stdout.decode()

    assert "The baseline (day1_baseline, run" in said and "Runs: the nearest entry rates. Saved by ann <b>" in said
    assert " 900 " in images and " 400 " in images


def test_what_has_changed_since_is_said(example, still, tmp_path):
    first, second = still.about.sides
    older = replace(still.about, sides=(replace(first, vs_ias_kt=first.vs_ias_kt + 1.2), replace(second, run="gone")))
    text = re.sub(r"<[^>]+>", "", written(example, tmp_path, replace(still, about=older)))

    assert f"as it was when saved; stall speed then {first.vs_ias_kt + 1.2:.1f}, now {first.vs_ias_kt:.1f} kt" in text
    assert "as it was when saved; this run is no longer in the campaign" in text


def test_an_event_at_another_time_now_is_said(example, still, tmp_path):
    first, second = still.about.sides
    older = replace(still.about, sides=(replace(first, event_flight_s=first.event_flight_s - 2), second))
    assert written(example, tmp_path, replace(still, about=older)).count("the time of the stall has changed") == 1


def test_a_picture_of_no_point_of_the_campaign_is_not_shown(example, still, tmp_path):
    assert 'class="saved"' not in written(example, tmp_path, replace(still, about=replace(still.about, point="Z9")))


def test_saved_pictures_come_before_those_nobody_chose_and_what_has_no_room_is_counted(example, still):
    page = example.page()
    small = place_media(page, None, {}, budget=1500, stills=[still, still])

    first, second = page.points[0].stills
    assert first.uri and not second.uri
    assert small.over_budget == 1


def test_a_shot_without_picture_says_why(example, still, tmp_path):
    first, second = still.about.sides
    blind = replace(first, shots=(SavedShot(at="52 kt", why="not flown"),))
    text = re.sub(
        r"<[^>]+>", "", written(example, tmp_path, replace(still, about=replace(still.about, sides=(blind, second))))
    )
    assert "52 kt: no picture (not flown)" in text


def test_wing_maps_have_a_word_in_every_station_and_the_leading_edge_above(example, tmp_path):
    cells = tuple(
        WingCell(
            span_pct=span,
            chord_pct=chord,
            drawn=MapCell(words=f"{40 + k}", kind="bracket", tone=k % 4, proposed=k == 0),
            description=f"first separated at {40 + k} kt",
        )
        for k, (span, chord) in enumerate((s, c) for s in (16.7, 50.0, 83.3) for c in (20.0, 80.0))
    )
    maps = (
        WingMap(point="A1", configuration="cuffs", cells=cells),
        WingMap(point="A1", configuration="cuffs", reference="baseline", cells=cells),
    )
    html = written(example, tmp_path, wings=maps)
    figures = re.findall(r"<figure>.*?</figure>", html, re.DOTALL)
    (first,) = [f for f in figures if "where the wing first separated" in f]
    assert any("less baseline" in f for f in figures)
    words = {
        text: (float(x), float(y))
        for x, y, text in re.findall(r'<text[^>]*x="([\d.]+)" y="([\d.]+)"[^>]*>(?:<[^>]*>)*([^<]+)', first)
    }
    assert words["41"][1] > words["42"][1], "20 % chord stands above 80 %"
    assert words["40?"][0] < words["42"][0] < words["44"][0], "root at the left"
    assert "50 % span, 20 % chord: first separated at 42 kt" in re.sub(r"<[^>]+>", "", first)
    assert [first.count(f"f-tone{k}") for k in (1, 2, 3)] == [2, 1, 1], "coloured; it was unshaded"
    assert "measured on drawn tufts only" in re.sub(r"<[^>]+>", "", first), "said where the assist is used"
