"""Data of the plots: what is drawn is what was found."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from logger_app.domain.tufts import TuftMark, TuftState
from logger_app.report.extras import Extras
from logger_app.report.figures import against_entry_rate, approaches, every_run, forest, tuft_map, warning_figure
from logger_app.report.layout import Label, Marker, lay_out
from logger_app.report.page import add_figures, all_figures, slim
from logger_app.report.plot import Grid, fitted_range, nice_ticks
from logger_app.report.svg import to_svg
from logger_app.units import s_to_ns


@pytest.fixture
def page(example):
    return example.page()


def test_the_forest_holds_every_difference_with_its_interval(page, example):
    figure = forest(page.pairs[0], "f", page.units)
    drawn = {figure.y.names[int(bar.y)]: (bar.low, bar.at, bar.high) for bar in figure.bars}

    assert drawn == {c.point: (c.low_kt, c.difference_kt, c.high_kt) for c in example.reduction.comparisons}
    assert figure.y.names[::-1] == ("A1", "A2", "A3", "B1")  # read from the top as on the cards
    assert figure.x.low < min(low for low, _, _ in drawn.values()) and figure.x.high > 0


def test_a_difference_that_rests_on_unreviewed_calls_is_hollow(page):
    figure = forest(page.pairs[0], "f", page.units)

    assert {figure.y.names[int(bar.y)] for bar in figure.bars if bar.hollow} == {"A2"}


def test_approaches_are_lined_up_on_their_events_one_panel_a_configuration_on_one_scale(page):
    view = page.points[0]
    grid = approaches(view, page.units)
    dots = [dot for panel in grid.panels for dot in panel.dots]
    speeds = [
        (round(c.call.flight_s - run.event_s, 6), c.call.ias_kt)
        for run in view.runs
        if run.counts
        for c in run.calls
        if c.call.kind == "airspeed"
    ]

    assert sorted((round(dot.x, 6), dot.y) for dot in dots) == sorted(speeds)
    assert {dot.link for dot in dots} <= {call.anchor for call in page.calls}
    assert all(line.xs[-1] == pytest.approx(0.0, abs=1e-9) for panel in grid.panels for line in panel.lines)
    assert not any("run 13" in dot.description for dot in dots)  # the scratched one
    assert [panel.heading for panel in grid.panels] == ["Plain wing, tufted", "Drooped cuffs"]
    assert len({(p.x.low, p.x.high, p.y.low, p.y.high) for p in grid.panels}) == 1


def test_every_axis_and_word_of_speed_is_in_the_pilots_unit(example):
    """Factor 1852 / 1609.344 by definition of the mile; speeds, differences, margins and rates alike."""
    page = replace(
        example, campaign=replace(example.campaign, indicator=replace(example.campaign.indicator, unit="mph"))
    ).page()
    kt, pair = example.page(), page.pairs[0]
    factor = 1852 / 1609.344
    drawn = [
        (forest(pair, "f", page.units).bars[0].at, forest(kt.pairs[0], "f", kt.units).bars[0].at),
        (warning_figure(pair, "w", page.units).dots[0].x, warning_figure(kt.pairs[0], "w", kt.units).dots[0].x),
        (
            approaches(page.points[0], page.units).panels[0].dots[0].y,
            approaches(kt.points[0], kt.units).panels[0].dots[0].y,
        ),
        (every_run(page).panels[0].dots[0].y, every_run(kt).panels[0].dots[0].y),
        *(
            (
                getattr(against_entry_rate(page.points[0], page.units).dots[0], axis),
                getattr(against_entry_rate(kt.points[0], kt.units).dots[0], axis),
            )
            for axis in ("x", "y", "x_half", "y_half")
        ),
    ]

    assert [mph / knots for mph, knots in drawn] == pytest.approx([factor] * len(drawn))
    for figure in every_figure(page):
        for one in figure.panels if isinstance(figure, Grid) else (figure,):
            assert "[kt" not in one.x.label + one.y.label
            if not one.y.names:
                assert all(tick == round(tick) for tick in one.y.ticks)  # whole mph


def test_the_regression_drawn_is_that_of_the_runs(page):
    """numpy's polyfit as the independent line."""
    view = page.points[3]
    figure = against_entry_rate(view, page.units)
    side = view.sides[0]
    x = [r.result.entry_rate_kt_per_s for r in side.counting]
    y = [r.result.vs_std_kt for r in side.counting]
    slope, at_0 = np.polyfit(x, y, 1)
    line = figure.lines[0]

    assert (line.ys[1] - line.ys[0]) / (line.xs[1] - line.xs[0]) == pytest.approx(slope)
    assert line.ys[0] == pytest.approx(at_0 + slope * line.xs[0], abs=1e-6)
    assert line.xs == (min(x), max(x))  # nothing is extrapolated


def test_no_regression_where_the_reduction_has_none(page):
    for side in page.points[0].sides:
        side.cells = tuple(replace(cell, at_1_kt_per_s_kt=None) for cell in side.cells)

    figure = against_entry_rate(page.points[0], page.units)

    assert figure.lines == () and "No regression" in figure.see


def test_warning_margins_are_one_marker_a_run(page):
    figure = warning_figure(page.pairs[0], "w", page.units)
    runs = [run for view in page.points for run in view.runs if run.counts]
    margins = sorted(run.result.warning_ias_kt - run.result.vs_ias_kt for run in runs)

    assert sorted(dot.x for dot in figure.dots) == pytest.approx(margins)


def tuft(at_s, station, state, ias_kt):
    return TuftMark(
        flight_ns=s_to_ns(at_s), camera="left", frame_pts=0, station=station, state=state, ias_kt=ias_kt, who="ann"
    )


def test_the_worst_state_seen_at_a_station_and_speed_is_kept(page):
    view = page.points[0]
    run = view.sides[0].runs[0]
    mark = tuft(run.event_s - 1, "30 %", TuftState.ATTACHED, 48.0)
    marks = [mark, replace(mark, state=TuftState.SEPARATED), replace(mark, station="90 %", state=TuftState.NOT_VISIBLE)]

    figure = tuft_map(view.sides[0], view, marks, "kt")

    assert (figure.x.names, figure.y.names) == (("48",), ("90 %", "30 %")), "root above"
    assert [(s.y, s.shade) for s in figure.squares] == [(0, None), (1, 2)]
    assert "30 % first separated at 48 kt" in figure.description


def test_tuft_marks_go_to_the_point_of_their_run(page):
    run = page.points[1].sides[1].runs[0]

    add_figures(page, Extras(tufts=((run.flight, tuft(run.event_s, "1", TuftState.UNSTEADY, 43.0)),)))

    assert [view.point.id for view in page.points for f in view.figures if f.squares] == ["A2"]


def every_figure(page):
    add_figures(page, Extras())
    figures = all_figures(page)
    return figures + [slim(figure) for figure in figures]


def test_every_figure_has_axes_with_units_and_words_for_who_cannot_see_it(page):
    for figure in every_figure(page):
        for one in figure.panels if isinstance(figure, Grid) else (figure,):
            assert one.x.names or re.search(r"\[.+\]", one.x.label)
            assert one.y.names or re.search(r"\[.+\]", one.y.label)
        assert len(figure.description) > 20 and figure.title


@pytest.mark.parametrize("standalone", [True, False])
def test_svg_is_well_formed_and_says_what_it_is(page, standalone):
    for figure in every_figure(page):
        root = ElementTree.fromstring(to_svg(lay_out(figure), standalone))
        tags = [element.tag.rpartition("}")[2] for element in root]

        links = [element for element in root if element.tag.rpartition("}")[2] == "a"]
        assert root.get("role") == ("group" if links else "img") and all(link.get("aria-label") for link in links)
        assert tags[:2] == ["title", "desc"]
        assert root.get("aria-labelledby") == f"{figure.id}-t {figure.id}-d"


def test_everything_lies_inside_the_figure(page):
    for figure in every_figure(page):
        drawing = lay_out(figure)
        for shape in drawing.shapes:
            if isinstance(shape, Marker | Label):
                assert 0 <= shape.x <= drawing.width and 0 <= shape.y <= drawing.height, (figure.id, shape)


def test_names_are_escaped_in_a_figure(make):
    evil = make(name="x")
    configurations = tuple(replace(c, name="<script>alert(1)</script>") for c in evil.campaign.configurations)
    page = replace(evil, campaign=replace(evil.campaign, configurations=configurations)).page()

    for figure in every_figure(page):
        assert "<script" not in to_svg(lay_out(figure))


@pytest.mark.parametrize(("low", "high"), [(41.2, 60.3), (-3.4, 0.9), (0.61, 1.42), (0.0, 1e-3), (-1200.0, 900.0)])
def test_ticks_are_round_evenly_spaced_and_inside(low, high):
    ticks = nice_ticks(low, high)
    steps = np.diff(ticks)

    assert low - 1e-9 <= ticks[0] and ticks[-1] <= high + 1e-9
    assert np.allclose(steps, steps[0])
    assert 3 <= len(ticks) <= 14
    assert float(f"{steps[0]:.2g}") == pytest.approx(steps[0])


def test_a_range_of_one_value_is_not_empty():
    low, high = fitted_range([50.0], 8.0)

    assert low < 46.0 and high > 54.0
