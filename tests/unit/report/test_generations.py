"""The line of a design: what each generation is, what it answers, and what nobody has changed."""

from dataclasses import replace

from builders import Make

from logger_app.domain.station_ratios import StationRatio
from logger_app.records.plan import AircraftConfig, Change, DeviceRow, PlannedFlight
from logger_app.records.results import Cell, Comparison, Reduction, StallSpeed, StationPair
from logger_app.records.runs import StallEvent
from logger_app.report.generations import caption, evidence, facts, generations, not_flown
from logger_app.report.layout import Stroke
from logger_app.report.shown import generation_table, line_table
from logger_app.report.svg import to_svg
from logger_app.report.words import NONE, Units

ROW = DeviceRow(span_from_pct=40, span_to_pct=70, side="right")


def campaign():
    return replace(
        Make().campaign(),
        configurations=(
            AircraftConfig(id="plain", name="Plain wing", question="what does a strip do?"),
            AircraftConfig(
                id="strip", name="Strip", parent="plain", changes=(Change(item="strip", rows=(ROW,)),), note="glued"
            ),
            AircraftConfig(id="both", name="Strip and fence", parent="strip", changes=(Change(item="fence"),)),
        ),
        flights=(PlannedFlight(id="f3", configuration="strip", work_done=("glue line sanded",)),),
    )


def compared(reference, changed, difference_kt=-1.0):
    return Comparison(
        point="A1",
        reference=reference,
        changed=changed,
        n_reference=4,
        n_changed=4,
        verdict="lower",
        words="",
        difference_kt=difference_kt,
    )


def reduction(*comparisons, history=()):
    return Reduction(campaign="made", runs=(), cells=(), comparisons=comparisons, history=history)


def test_each_generation_stands_against_its_parent_and_the_baseline():
    plain, strip, both = generations(
        campaign(),
        reduction(compared("plain", "strip"), compared("strip", "both"), history=(compared("plain", "both", -2.0),)),
    )

    assert [g.configuration.id for g in (plain, strip, both)] == ["plain", "strip", "both"]
    assert plain.step is None and plain.stalls == ()
    assert both.stalls[0].to_parent.reference == "strip"
    assert both.stalls[0].to_baseline.difference_kt == -2.0
    assert strip.step.items == ("strip fitted",)


def test_what_was_fitted_is_drawn_and_said():
    _, strip, both = generations(campaign(), reduction())

    assert strip.fitted == ("strip, right wing, 40 to 70 % of semispan",)
    assert both.fitted == ("fence",), "its own change; the strip is drawn as fitted before"
    svg = to_svg(strip.drawing)
    assert svg.startswith("<svg") and "right wing" in svg
    assert strip.team_words == ("glued", "glue line sanded (f3)")


def seen(station, ratio, separated=7, configuration="both", first_in=0):
    return StationRatio(
        configuration=configuration,
        wing="left",
        station=station,
        runs=8,
        separated=separated,
        first_in=first_in,
        ratio=ratio,
    )


def test_evidence_names_what_lets_go_early_and_what_nobody_changed_alone():
    *_, sentence = evidence(campaign(), [seen("80/20", 1.14)])
    assert sentence == (
        "both: seen separated at 1.1 Vs or faster: left 80 % span, 20 % chord at 1.14 Vs (7 of 8 runs); "
        "no configuration has changed the area at 80 % span alone."
    )
    *_, sentence = evidence(campaign(), [seen("80/20", 1.14), seen("55/20", 1.12), seen("20/20", 1.02)])
    assert "was changed alone by strip" in sentence and "20 % span" not in sentence


def test_stations_are_drawn_by_shape_and_the_first_to_go_are_named():
    *_, both = generations(campaign(), reduction(), [seen("80/20", 1.14, first_in=7), seen("20/20", None, separated=0)])

    assert both.first_to_go == ("left wing first at 80 % span, 20 % chord in 7 of 8 runs, in 0 of them alone",)
    svg = to_svg(both.drawing)
    assert "left wing 80/20: 1.14 Vs, 7 of 8 runs" in svg
    assert "left wing 20/20: not before the stall" in svg


def test_fields_have_a_tone_and_a_pattern_for_each_class_and_a_sign_for_reattached():
    again = replace(seen("60/20", 1.06), reattached=2)
    *_, both = generations(campaign(), reduction(), [seen("80/20", 1.14), again, seen("20/20", None, separated=0)])

    fills = [shape.fill for shape in both.drawing.shapes if isinstance(shape, Stroke) and shape.fill]
    assert fills == ["tone3", "tone2", "paper"]
    hatch = [shape for shape in both.drawing.shapes if isinstance(shape, Stroke) and shape.width == 0.5]
    assert len(hatch) == 2 + 1, "crossed, slanted, none"
    assert "reattached in 2" in to_svg(both.drawing)


def dropped(side, number):
    return StallSpeed(
        run=f"r{number}",
        run_number=number,
        flight="f",
        configuration="strip",
        point="A1",
        event=next(iter(StallEvent)),
        method="fit",
        counts=number < 12,
        event_flight_s=10.0,
        wing_drop=side,
    )


def test_the_side_that_drops_first_has_its_exact_interval():
    """Nine of ten: 55.5 to 99.7 %, as a binomial table has it (Clopper-Pearson; statsmodels gives the same)."""
    from statsmodels.stats.proportion import proportion_confint

    sides = [*["right"] * 9, "left", "none", None, "left"]  # the last run does not count
    runs = [dropped(side, k) for k, side in enumerate(sides)]
    _, strip, _ = generations(campaign(), replace(reduction(), runs=tuple(runs)))

    low, high = proportion_confint(9, 10, method="beta")
    assert (
        "wing drop",
        "left 1, right 9, none 1, not called 1; right first in 9 of 10, 55 to 100 % (95 %, exact)",
    ) in (facts(strip))
    assert (round(100 * low), round(100 * high)) == (55, 100)
    assert [label for label, _ in facts(strip)] == ["answers", "wing drop", "the team", "the team"]
    assert caption(strip) == "New: strip, right wing, 40 to 70 % of semispan."


def test_the_warning_stands_in_the_table_with_its_interval():
    cell = Cell(
        point="A1",
        configuration="strip",
        event="break",
        n=4,
        vs_ias_kt=45.0,
        warning_margin_kt=3.2,
        warning_margin_low_kt=2.5,
        warning_margin_high_kt=3.9,
    )
    _, strip, _ = generations(campaign(), replace(reduction(compared("plain", "strip")), cells=(cell,)))

    table = generation_table(strip, Units("kt", "kg", 600.0))
    assert table.columns[-1].label == "Warning above stall [kt]"
    assert (table.rows[0][-1].text, table.rows[0][-1].small) == ("3.2", ("2.5 to 3.9",))
    shaken = replace(
        cell, warning_margin_kt=None, buffet_margin_kt=4.0, buffet_margin_low_kt=3.0, buffet_margin_high_kt=5.0
    )
    _, strip, _ = generations(campaign(), replace(reduction(), cells=(shaken,)))
    assert generation_table(strip, Units()).rows[0][-1].small == ("3.0 to 5.0", "buffet")


def test_without_marks_only_the_line_itself_is_judged():
    assert all("seen separated at" not in one for one in evidence(campaign()))


def test_of_stations_that_the_looks_do_not_tell_apart_none_is_called_the_first():
    two = [replace(seen(name, 1.15, first_in=8), low_ratio=1.1, high_ratio=1.2) for name in ("60/60", "75/20")]
    *_, tied = generations(campaign(), reduction(), two)
    *_, one = generations(campaign(), reduction(), [replace(two[0], alone_in=8)])

    assert tied.first_to_go == (
        "left wing first at one of: 60 % span, 60 % chord; 75 % span, 20 % chord; the looks do not tell them apart, "
        "in 8 of 8 runs (between 1.10 and 1.20 Vs)",
    )
    assert one.first_to_go == ("left wing first at 60 % span, 60 % chord in 8 of 8 runs (between 1.10 and 1.20 Vs)",)


def pair(low_kt, high_kt):
    return StationPair(station="75/20", n=8, not_paired=0, difference_ias_kt=None, low_kt=low_kt, high_kt=high_kt)


def test_wings_differ_only_where_the_looks_leave_no_doubt():
    def words(one):
        *_, both = generations(campaign(), reduction(), [], [("both", (one,))])
        return both.paired_words

    assert words(pair(0.0, 9.0)) == words(pair(-2.0, None)) == ()
    assert "held longer by 2.2 to 9.0 kt in the same runs" in words(pair(2.2, 9.0))[0]
    assert "held less long by 1.0 to 4.0 kt" in words(pair(-4.0, -1.0))[0]
    assert "held longer by at least 2.0 kt" in words(pair(2.0, None))[0]


def cell(point, configuration):
    return Cell(point=point, configuration=configuration, event="break", n=4, vs_ias_kt=45.0)


def test_the_line_at_a_glance_says_for_each_what_it_did_and_what_nobody_flew():
    flown = replace(
        reduction(compared("plain", "strip")), cells=(cell("A1", "plain"), cell("A2", "plain"), cell("A1", "strip"))
    )
    marked = [replace(seen("60/60", 1.15, configuration="strip", first_in=8), low_ratio=1.1, high_ratio=1.2)]
    marked += [replace(marked[0], station="90/20"), replace(marked[0], station="20/20", first_in=0)]
    line = generations(campaign(), flown, marked)

    rows = line_table(line, Units("kt", "kg", 600.0)).rows
    assert [row[0].text for row in rows] == ["0. Plain wing", "1. Strip", "2. Strip and fence"]
    assert rows[0][1].small == ("A1: 45.0", "A2: 45.0")
    assert rows[1][1].small[0].startswith("A1: ") and "lower (" in rows[1][1].small[0]
    assert rows[1][4].small == ("left: 60 to 90 % span, 8 of 8",)
    assert (rows[2][1].text, rows[2][3].text, rows[2][4].text) == ("not flown", NONE, "not marked")
    assert not_flown(line) == (
        "plain: no tufts of either wing are marked; where it let go is not known.",
        "strip: no run counts at A2.",
        "strip: no tufts of the right wing are marked; where it let go is not known.",
        "both: no run counts, so nothing is known of its stall.",
    )


def test_of_a_line_that_was_never_marked_no_wing_is_missed():
    line = generations(
        campaign(), replace(reduction(), cells=tuple(cell("A1", c.id) for c in campaign().configurations))
    )

    assert not_flown(line) == ()


def test_a_line_says_where_its_intervals_rest_on_an_assumed_scatter_of_flights():
    def remarks(flights):
        found = replace(
            compared("plain", "strip"), low_kt=-1.6, high_kt=-0.4, n_flights_reference=flights, n_flights_changed=1
        )
        flown = replace(reduction(found), cells=(cell("A1", "plain"), cell("A1", "strip")))
        return [one for one in not_flown(generations(campaign(), flown)) if "one flight each" in one]

    (said,) = remarks(1)
    assert said.startswith("strip: ") and "assumed scatter of flights" in said
    assert remarks(2) == []


def test_where_only_one_point_was_flown_once_the_others_are_not_said_to_be():
    """Both flights of the baseline counted at five points of six: all were said to rest on one flight each."""
    found = [
        replace(
            compared("plain", "strip"),
            point=point,
            low_kt=-1.6,
            high_kt=-0.4,
            n_flights_reference=n,
            n_flights_changed=1,
        )
        for point, n in (("A1", 2), ("A2", 1))
    ]
    cells = tuple(cell(point, side) for point in ("A1", "A2") for side in ("plain", "strip"))
    said = [one for one in not_flown(generations(campaign(), replace(reduction(*found), cells=cells))) if "each" in one]

    assert len(said) == 1 and said[0].startswith(
        "strip: compared by one flight each at A2, so its intervals there rest"
    )


def test_a_generation_taken_back_two_changes_at_once_and_an_old_fit_are_named():
    base = campaign()
    back = AircraftConfig(
        id="back", name="All off", parent="both", changes=(Change(item="off", takes_off="strip"), Change(item="off 2", takes_off="fence")),
    )  # fmt: skip
    again = AircraftConfig(
        id="again", name="Two at once", parent="back", changes=(Change(item="cuff"), Change(item="tape"))
    )
    sentences = evidence(replace(base, configurations=(*base.configurations, back, again)))

    assert any("back is fitted as plain was: the change was undone." == one for one in sentences)
    assert any(
        one.startswith("again: ") and "2 changes did together (cuff fitted, tape fitted)" in one for one in sentences
    )
    assert any(one.startswith("both still carries strip (since strip)") for one in sentences)
    assert not any(one.startswith(("again still", "back still")) for one in sentences)


def test_what_was_not_flown_would_show_and_does_not_show():
    _, strip, both = generations(campaign(), reduction(compared("plain", "strip")))

    assert dict(facts(strip))["answers"] == "strip against plain shows what strip did on its own."
    assert dict(facts(both))["answers"] == "both against strip would show, once flown, what fence did on its own."
