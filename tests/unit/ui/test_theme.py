"""Sizes against the published rows they follow; contrast against WCAG's own examples."""

import pytest

from logger_app.ui.theme import (
    CAP_RATIO,
    MIN_ARCMIN,
    MIN_CONTRAST,
    PALETTES,
    TEXT_ARCMIN,
    Display,
    character_mm,
    contrast,
    rgb,
)

TABLETS = [(1280, 800, 149.0), (1920, 1200, 224.0), (1024, 600, 170.0)]


@pytest.mark.parametrize("name", list(PALETTES))
def test_everything_read_in_flight_has_seven_to_one(name):
    palette = PALETTES[name]

    for text, ground in palette.read_pairs():
        ratio = contrast(getattr(palette, text), getattr(palette, ground))
        assert ratio >= MIN_CONTRAST, f"{name}: {text} on {ground} is {ratio:.1f}"


@pytest.mark.parametrize(
    "first, second, expected",
    [
        ("#000000", "#ffffff", 21.0),  # WCAG 2.1, contrast ratio: "1 to 21"
        ("#ffffff", "#ffffff", 1.0),
        ("#767676", "#ffffff", 4.54),  # the well-known lightest grey that passes 4.5 (WebAIM)
        ("#595959", "#ffffff", 7.0),  # and 7.0
    ],
)
def test_contrast_is_wcags(first, second, expected):
    assert contrast(rgb(first), rgb(second)) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    "arcmin, viewing_mm, expected_mm",
    # Handbook of the project, section 9, derived there: 16/20/24 arcmin at 500 and 700 mm.
    [(16, 500, 2.33), (20, 500, 2.91), (24, 500, 3.49), (16, 700, 3.26), (20, 700, 4.07), (24, 700, 4.89)],
)
def test_character_heights_are_the_handbooks(arcmin, viewing_mm, expected_mm):
    assert character_mm(arcmin, viewing_mm) == pytest.approx(expected_mm, abs=0.005)


@pytest.mark.parametrize("_width, _height, dpi", TABLETS)
def test_pixels_follow_from_the_glass(_width, _height, dpi):
    display = Display(dpi=dpi, viewing_mm=600)

    assert display.target_px / dpi * 25.4 >= 20.0
    cap_mm = display.text_px * CAP_RATIO / dpi * 25.4
    assert cap_mm >= character_mm(TEXT_ARCMIN, 600) > character_mm(MIN_ARCMIN, 600)


@pytest.mark.parametrize("wrong", [{"dpi": 10}, {"viewing_mm": 50}, {"palette_name": "pink"}])
def test_a_display_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match=str(next(iter(wrong.values())))):
        Display(**wrong)
