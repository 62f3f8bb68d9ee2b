"""Figures as pixels: what the same shapes look like by another hand."""

import subprocess

import numpy as np
import pytest
from PIL import Image
from reportlab.graphics import renderPDF

from logger_app.report.extras import Extras
from logger_app.report.figures_pdf import to_drawing
from logger_app.report.figures_png import dashes, write_png
from logger_app.report.layout import lay_out
from logger_app.report.page import add_figures, all_figures


@pytest.fixture(scope="module")
def drawings(example):
    page = example.page()
    add_figures(page, Extras())
    return [lay_out(figure) for figure in all_figures(page)]


def grey(path, size=None):
    with Image.open(path) as coloured:
        image = coloured.convert("L")
        return np.asarray(image.resize(size, Image.Resampling.BOX) if size else image, float)


def test_pixels_are_where_poppler_puts_them(drawings, tmp_path):
    """reportlab and Poppler's pdftoppm draw the same shapes as the reference: ink in the same places."""
    for drawing in drawings[:4]:
        write_png(drawing, tmp_path / "a.png")
        renderPDF.drawToFile(to_drawing(drawing, drawing.width), str(tmp_path / "a.pdf"), showBoundary=0)
        command = ["pdftoppm", "-r", "144", "-png", "-singlefile", str(tmp_path / "a.pdf"), str(tmp_path / "other")]
        subprocess.run(command, check=True)
        found = grey(tmp_path / "a.png")
        assert found.shape == (round(drawing.height * 2), round(drawing.width * 2))
        coarse = (round(drawing.width / 4), round(drawing.height / 4))
        one, other = grey(tmp_path / "a.png", coarse), grey(tmp_path / "other.png", coarse)

        assert one.std() > 5, "there is ink"
        assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.95, drawing.id
        assert abs(one.mean() - other.mean()) < 2, drawing.id


def test_dashes_have_their_lengths_round_a_corner():
    parts = dashes([(0, 0), (3, 0), (3, 100)], (6, 3))
    lengths = [sum(np.hypot(*np.subtract(b, a)) for a, b in zip(part, part[1:])) for part in parts]

    assert np.allclose(lengths[:-1], 6) and parts[0][1] == (3, 0)
    assert len(parts) == 12  # 103 / 9, the last one not complete
    assert dashes([(0, 0), (1, 1)], ()) == [[(0, 0), (1, 1)]]


def test_every_figure_has_its_picture_only_where_wanted(make, tmp_path):
    example = make(points=("A1",))
    example.write(tmp_path / "with", png=True, made_utc="2027-04-12T20:00:00Z")
    example.write(tmp_path / "without", made_utc="2027-04-12T20:00:00Z")
    with_pngs, without = ({p.name for p in (tmp_path / one / "figures").iterdir()} for one in ("with", "without"))

    assert without and with_pngs == without | {name.replace(".svg", ".png") for name in without}
    assert "figures/forest-1.png" in (tmp_path / "with" / "versions.json").read_text()
