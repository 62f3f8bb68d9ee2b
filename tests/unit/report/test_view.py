"""Records joined: anchors, corrections and what was left out go to the right place."""

from dataclasses import replace

from logger_app.records.calls import Action, CallStatus, Correction
from logger_app.records.results import Excluded


def page_of(example):
    return example.page()


def correction(id, action, target, why=""):
    return Correction(id=id, utc=f"2027-04-12T{id}", who="crew 2", action=action, target=target, why=why)


def with_corrections(example, *corrections):
    first = replace(example.flights[0], corrections=corrections)
    return replace(example, flights=(first, *example.flights[1:]))


def test_anchors_are_unique_over_flights_whose_ids_are_the_same(example):
    page = page_of(example)
    anchors = [run.anchor for run in page.runs] + [call.anchor for call in page.calls] + [p.anchor for p in page.points]

    assert len(set(anchors)) == len(anchors)


def test_an_undo_is_shown_with_what_it_undid(example):
    call = example.flights[0].runs.runs[0].calls[0].id
    changed = with_corrections(
        example,
        correction("1", Action.REJECT, call),
        correction("2", Action.UNDO, "1"),
        correction("3", Action.UNDO, "2"),
    )

    view = page_of(changed).runs[0].calls[0]

    assert [k.id for k in view.corrections] == ["1", "2", "3"]


def test_an_undo_of_itself_does_not_hang(example):
    changed = with_corrections(example, correction("1", Action.UNDO, "1"))

    assert [k.id for _, k, _ in page_of(changed).corrections] == ["1"]


def test_a_correction_of_a_run_leads_to_the_run(example):
    run = example.flights[0].runs.runs[3]
    changed = with_corrections(example, correction("1", Action.OVERRULE, run.id))
    page = page_of(changed)

    assert [(k.id, anchor) for _, k, anchor in page.corrections] == [("1", "r1-4")]
    assert [k.id for k in page.runs[3].corrections] == ["1"]


def test_what_was_left_out_leads_to_it_also_when_two_flights_share_a_run_id(example):
    same = tuple(
        replace(d, runs=replace(d.runs, runs=tuple(replace(r, id=f"run-{r.number}") for r in d.runs.runs)))
        for d in example.flights
    )
    excluded = (
        Excluded(what="run-2", why="late silence", flight="day2_cuffs"),
        Excluded(what="calls", why="in no run"),
    )
    changed = replace(example, flights=same, reduction=replace(example.reduction, excluded=excluded))

    assert [(name, anchor) for _, name, anchor in page_of(changed).excluded] == [
        ("day2_cuffs, run 2", "r2-2"),
        ("calls", ""),
    ]


def test_a_configuration_or_point_that_was_never_planned_is_still_shown(example):
    cell = replace(example.reduction.cells[0], point="Z9", configuration="strips")
    changed = replace(example, reduction=replace(example.reduction, cells=(*example.reduction.cells, cell)))

    last = page_of(changed).points[-1]

    assert (last.point.id, last.sides[0].configuration.id) == ("Z9", "strips")


def test_caveats_count_runs_with_unreviewed_calls(example):
    page = page_of(example)

    assert [view.caveat for view in page.points] == ["", "1 of 6 runs not reviewed", "", ""]
    assert page.unreviewed == (11, 302)


def test_rejected_calls_count_as_reviewed(example):
    first = example.flights[0]
    runs = tuple(
        replace(r, calls=tuple(replace(c, status=CallStatus.REJECTED) for c in r.calls)) for r in first.runs.runs
    )
    changed = replace(example, flights=(replace(first, runs=replace(first.runs, runs=runs)), *example.flights[1:]))

    assert page_of(changed).unreviewed == (11, 302)


def test_notes_that_stand_at_every_point_are_said_once(example):
    comparisons = tuple(replace(c, notes=("one flight each", c.point)) for c in example.reduction.comparisons)
    page = page_of(replace(example, reduction=replace(example.reduction, comparisons=comparisons)))
    pair = page.pairs[0]

    assert pair.common_notes == ("one flight each",)
    assert [pair.own_notes(row) for row in pair.rows] == [("A1",), ("A2",), ("A3",), ("B1",)]


def test_a_pair_whose_change_was_not_flown_yet_does_not_lead_the_page(example):
    """With the next change planned, the page opened with "not comparable" and hid the answer that there was."""
    planned = tuple(
        replace(c, reference=c.changed, changed="next", difference_kt=None) for c in example.reduction.comparisons
    )
    reduction = replace(example.reduction, comparisons=example.reduction.comparisons + planned)
    page = page_of(replace(example, reduction=reduction))

    assert [pair.changed.id for pair in page.pairs] == ["next", "cuffs"]
