"""The PDF, read back by poppler's pdftotext, an independent reader."""

import subprocess
from dataclasses import replace

import pytest
from pypdf import PdfReader

from logger_app.report.extras import Extras
from logger_app.report.fonts_io import marked, register
from logger_app.report.media import Media
from logger_app.report.page import add_figures
from logger_app.report.pdf_io import MIN_FILLED, write_pdf


def text_of(path):
    return subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True).stdout.decode()


@pytest.fixture(scope="module")
def pdf(example, tmp_path_factory):
    out = tmp_path_factory.mktemp("pdf")
    campaign = replace(example.campaign, name="Σπουργίτι ä <b>& 報")
    replace(example, campaign=campaign).write(out / "r", pdf=True, made_utc="2027-04-12T20:00:00Z")
    return out / "r" / "report.pdf"


def test_it_holds_the_answer_the_cautions_the_runs_and_the_method(pdf):
    said = " ".join(text_of(pdf).split())

    for words in (
        "Drooped cuffs: stalls lower by 1.7 kt",
        "1 of 6 runs not reviewed",
        "no substitute for the flight manual",
        "day1_baseline, run 13",
        "discarded: scratch that",
        "the sound says it plainly",
        "14 CFR 23.207(c)",
        "−2.6 to −0.8",
    ):
        assert words in said, words


def test_names_in_other_scripts_and_markup_are_text(pdf):
    assert "Σπουργίτι ä <b>&" in text_of(pdf)


def test_figures_are_drawn_with_their_labels(pdf):
    said = text_of(pdf)

    assert said.count("time from the stall [s]") == 8  # four points, a panel a configuration
    assert "Prepared" in said and "Checked" in said and "Date" in said


def test_every_font_that_draws_a_letter_is_embedded(pdf):
    """reportlab opens each drawing with an empty text in its default font: Helvetica may be named, never drawn."""
    fonts = subprocess.run(["pdffonts", str(pdf)], capture_output=True, check=True).stdout.decode().splitlines()[2:]
    loose = {line.split()[0] for line in fonts if line.split()[-5] != "yes"}

    assert {line.split()[0].partition("+")[2] for line in fonts} >= {"Roboto-Regular", "Roboto-Bold", "DejaVuSans"}
    assert loose <= {"Helvetica"}


def test_letters_that_the_plain_font_lacks_are_set_in_the_wide_one():
    _, _, wide = register()

    assert marked("a<b") == "a&lt;b"
    assert marked("x \N{WARNING SIGN}") == f'x <font name="{wide}">\N{WARNING SIGN}</font>'


@pytest.mark.parametrize("configurations", [("baseline",), ("baseline", "cuffs")])
def test_no_page_is_nearly_empty(make, tmp_path, configurations):
    page = make(configurations=configurations).page()
    add_figures(page, Extras())
    filled = write_pdf(tmp_path / "r.pdf", page, Media(), Extras(), "2027-04-12T20:00:00Z")

    assert len(filled) == len(PdfReader(tmp_path / "r.pdf").pages)
    assert min(filled) >= MIN_FILLED, filled
