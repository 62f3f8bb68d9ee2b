"""The report's colours against published measures of contrast and of colour blindness.

WCAG 2.2 (W3C, 2023): relative luminance and contrast ratio as defined there; success criteria
1.4.3 (text, 4.5 to 1) and 1.4.11 (graphics, 3 to 1). Colour blindness: G. M. Machado, M. M.
Oliveira, L. A. F. Fernandes, "A physiologically-based model for simulation of color vision
deficiency", IEEE TVCG 15 (2009), matrices of severity 1.0 (from memory). Distances in CIELAB
(CIE 1976, D65) with the formulas of CIE 15.
"""

import itertools

import numpy as np
import pytest

from logger_app.report.style import ROLES, SERIES

MACHADO_2009 = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
GROUNDS = ("#ffffff", "#1b1f23")


def linear(colour):
    value = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    lights = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (lights[0] + 0.05) / (lights[1] + 0.05)


def lab(rgb):
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = to_xyz @ np.clip(rgb, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_measure_agrees_with_the_extremes_printed_in_wcag():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("side", [0, 1])
def test_markers_and_lines_stand_out_from_their_ground(side):
    for role in [f"s{k}" for k in range(len(SERIES))] + ["ink", "muted", "warn"]:
        assert contrast(ROLES[role][side], GROUNDS[side]) >= 3.0, role


@pytest.mark.parametrize("side", [0, 1])
def test_text_can_be_read(side):
    for role in ("ink", "muted", "warn", "s0", "s1"):
        assert contrast(ROLES[role][side], GROUNDS[side]) >= 4.5, role


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("kind", ["all colours", *MACHADO_2009])
def test_the_first_three_configurations_differ_for_every_kind_of_eye(kind, side):
    """20 units of CIELAB: many times the just noticeable difference of about 2.3 (common practice, no source)."""
    matrix = np.array(MACHADO_2009.get(kind, np.eye(3)))
    seen = [lab(matrix @ linear((look.light, look.dark)[side])) for look in SERIES[:3]]

    for one, other in itertools.combinations(seen, 2):
        assert np.linalg.norm(one - other) > 20


def test_no_two_configurations_share_marker_or_dash():
    assert len({look.marker for look in SERIES}) == len({look.dash for look in SERIES}) == len(SERIES)


def test_the_first_two_differ_in_a_grey_print():
    greys = [lab(np.full(3, linear(look.light) @ [0.2126, 0.7152, 0.0722]))[0] for look in SERIES[:2]]

    assert abs(greys[0] - greys[1]) > 15
