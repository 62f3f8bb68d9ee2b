"""The paper cards, read back from the PDF."""

import os

import pytest
from pypdf import PdfReader

from logger_app.errors import ReportError
from logger_app.plan.cards_pdf_io import write_cards
from logger_app.plan.parse import parse_text


@pytest.fixture
def campaign(sound):
    return parse_text(sound)[0]


def pages(file):
    return [" ".join(page.extract_text().split()) for page in PdfReader(file).pages]


def test_every_half_sheet_has_floor_criteria_and_cautions(tmp_path, campaign):
    sheets = write_cards(tmp_path / "cards.pdf", campaign)

    texts = pages(tmp_path / "cards.pdf")
    assert len(texts) == sheets
    for text in texts[:-1]:
        for words in (
            "FLOOR 3000 ft",
            "anyone says so",
            "“knock it off” when",
            "Spin recovery briefed.",
            "recorder, not an instrument",
        ):
            assert text.count(words) == 2, words
    assert "FLOOR 3000 ft" in texts[-1]


def test_cards_hold_what_is_flown_and_boxes_for_every_run(tmp_path, campaign):
    write_cards(tmp_path / "cards.pdf", campaign)

    text = " ".join(pages(tmp_path / "cards.pdf"))
    for words in (
        "Idle, wings level",
        "Trim 65 kt, idle",
        "On condition at 65 kt",
        "70 kt",
        "47 kt",
        "4500-7500",
        "30 R",
    ):
        assert words in text
    assert text.count("P S D B R N") == 3 * (4 + 1)  # points, runs each and one to spare


@pytest.mark.parametrize(("paper", "size"), [("a5", (841.9, 595.3)), ("half-letter", (792, 612))])
def test_paper_is_what_was_asked_for(tmp_path, campaign, paper, size):
    write_cards(tmp_path / "cards.pdf", campaign, paper=paper)

    for page in PdfReader(tmp_path / "cards.pdf").pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.1)


def test_a_flight_has_its_configuration_its_loading_and_its_share_of_runs(tmp_path, campaign):
    write_cards(tmp_path / "cards.pdf", campaign, flight=campaign.flight("02_cuffs"), runs={"A1": 1, "A2": 0, "B1": 2})

    text = " ".join(pages(tmp_path / "cards.pdf"))
    assert "leading-edge cuff" in text
    assert "Planned here: 599 kg, CG 2062 mm" in text
    assert text.count("P S D B R N") == (1 + 1) + (2 + 1)


def test_speeds_are_in_the_pilots_unit(tmp_path, sound):
    campaign, _ = parse_text(sound.replace('unit = "kt"', 'unit = "mph"'))

    write_cards(tmp_path / "cards.pdf", campaign)

    text = " ".join(pages(tmp_path / "cards.pdf"))
    assert "81 mph" in text and "54 mph" in text
    assert "Speeds as read, in mph" in text


def test_long_words_and_many_points_go_on_over_the_page(tmp_path, sound):
    much = "Say everything that there is to be said of it. " * 120
    points = "".join(f'\n[[card.point]]\nid = "Z{n}"\nflap_deg = {n % 30}\nruns_wanted = 20\n' for n in range(14))
    campaign, faults = parse_text(sound + f'\n[[card]]\nid = "Z"\nsetup = "{much}"\n{points}')

    sheets = write_cards(tmp_path / "cards.pdf", campaign)

    text = " ".join(pages(tmp_path / "cards.pdf"))
    assert faults == ()
    assert sheets > 15
    assert text.count("everything") == 120
    assert text.count("P S D B R N") == 3 * (4 + 1) + 14 * (20 + 1)


def test_letters_of_other_scripts_are_printed(tmp_path, sound):
    campaign, _ = parse_text(sound.replace("Idle, wings level", "Срыв ≥ 10 kt → выше"))

    write_cards(tmp_path / "cards.pdf", campaign)

    assert "Срыв ≥ 10 kt → выше" in " ".join(pages(tmp_path / "cards.pdf"))


def test_a_folder_that_is_not_there_leaves_nothing(tmp_path, campaign):
    with pytest.raises(ReportError):
        write_cards(tmp_path / "nowhere" / "cards.pdf", campaign)

    assert os.listdir(tmp_path) == []


def test_a_full_disk_leaves_the_old_cards(tmp_path, campaign, monkeypatch):
    file = tmp_path / "cards.pdf"
    file.write_bytes(b"old")

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", refuse)
    with pytest.raises(ReportError):
        write_cards(file, campaign)

    assert file.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["cards.pdf"]
