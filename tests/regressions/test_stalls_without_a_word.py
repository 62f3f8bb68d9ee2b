"""Stalls at which nothing was said: no event, or no speed far below the last call. One item, one key, nothing lost."""

from dataclasses import replace

import pytest

from logger_app.__main__ import main
from logger_app.records.calls import Action, CallKind, Flag
from logger_app.review.items import Item
from logger_app.ui.presenters.review import begin, renewed, update, view
from logger_app.workflows.review import ReviewWorkflow
from tests.regressions.test_runs_in_their_place import campaign, flight_calls, write  # noqa: F401


@pytest.fixture
def sparse(campaign):  # noqa: F811
    """Six of nine runs end their calls about 4 kt above the stall."""
    return write(
        campaign,
        [
            call
            for call in flight_calls()
            if not (call.id.startswith("s") and int(call.id[1:].split("-")[0]) >= 3 and int(call.id.split("-")[1]) >= 7)
        ],
    )


def unconfirmed(review):
    return [id for id, result in review.results(review.load()).items() if result.too_far_only]


def test_runs_without_a_speed_at_the_break_are_one_item_with_the_effect_and_one_key_counts_them(sparse):
    review = ReviewWorkflow(sparse, "anna")
    now = review.load()
    (item,) = [item for item in now.queue.items if item.item is Item.STALL]

    assert len(item.runs) == 6 and set(item.runs) == set(unconfirmed(review))
    assert item.why[0].startswith("6 of 9 runs do not count: no speed was said at the break")
    assert now.queue.items.index(item) == 0

    state = replace(begin(now, "anna", review.results(now), ()), here=item.id)
    assert "6 runs" in view(state).rows[0].title
    _, (effect,) = update(state, "p")
    review.act_all([(one.action, one.target, "", dict(one.payload)) for one in effect.corrections])
    assert unconfirmed(review) == []
    assert [i for i in review.load().queue.items if i.item is Item.STALL] == []
    counted = review.results(review.load())
    assert all(counted[id].counts for id in item.runs)


def test_run_by_run_and_from_the_command_line(sparse):
    review = ReviewWorkflow(sparse, "anna")
    first = unconfirmed(review)[0]
    now = review.load()
    state = replace(begin(now, "anna", review.results(now), ()), listing="runs", here=first)
    _, (effect,) = update(state, "p")
    review.act_all([(one.action, one.target, "", dict(one.payload)) for one in effect.corrections])
    (item,) = [item for item in review.load().queue.items if item.item is Item.STALL]
    assert item.why[0].startswith("5 of 9 runs do not count") and first not in item.runs

    assert main(["review", str(sparse), "--who", "ben", "--overrule", "all", "yes"]) == 0
    assert unconfirmed(review) == []
    assert main(["review", str(sparse), "--who", "ben", "--overrule", "all", "yes"]) == 1


def test_what_one_command_did_is_one_undo(sparse):
    """`--overrule all yes` made a correction for each run and `--undo` took back one of them."""

    def review(*words):
        assert main(["review", str(sparse), "--who", "ben", *words]) == 0
        return len(unconfirmed(ReviewWorkflow(sparse, "ben")))

    before = len(unconfirmed(ReviewWorkflow(sparse, "ben")))
    assert before == 6
    assert review("--overrule", "all", "yes") == 0
    assert review("--undo") == before

    again = ReviewWorkflow(sparse, "ben")
    assert len(again.redo()) == before and unconfirmed(again) == []
    (one, *_) = [c for c in again.load().corrections if c.action is Action.OVERRULE]
    assert review("--undo", one.id) == 1, "named, it goes alone"
    assert review("--undo") == before


def test_the_screen_says_how_many_were_undone(sparse):
    review = ReviewWorkflow(sparse, "anna")
    item = next(item for item in review.load().queue.items if item.item is Item.STALL)
    review.act_all([(Action.OVERRULE, run, "", {"counts": True}) for run in item.runs])
    now = review.load()
    state = begin(now, "anna", review.results(now), ())
    done = review.undo()[-1]
    now = review.load()

    assert renewed(state, now, review.results(now), done).message.endswith(", and 5 more")


def test_whether_a_fitted_stall_counts_is_no_check_of_what_was_heard(sparse):
    review = ReviewWorkflow(sparse, "anna")
    now = review.load()

    assert now.review.to_check == sum(item.item is not Item.STALL for item in now.queue.items)


def test_a_run_without_an_event_is_proposed_the_lowest_of_its_trace_and_one_key_adds_it(campaign):  # noqa: F811
    calls = [call for call in flight_calls() if call.id != "b4"]
    folder = write(campaign, calls)
    (folder / "traces").mkdir()
    speeds = [(c.start_ns / 1e9, c.value) for c in flight_calls() if c.kind is CallKind.AIRSPEED]
    rows = []
    for n in range(0, 1400):
        at_s = n / 2
        before = [s for s in speeds if s[0] <= at_s]
        after = [s for s in speeds if s[0] > at_s]
        a, b = before[-1] if before else (at_s - 1, 85.0), after[0] if after else (at_s + 1, 85.0)
        between = b[0] - a[0] > 3
        value = a[1] + (b[1] - a[1]) * (at_s - a[0]) / (b[0] - a[0])
        since = at_s - a[0]
        if between and before:
            value = a[1] - 1.0 * since if since < 1.6 else min(85.0, a[1] - 1.6 + 6 * (since - 1.6))
            if after and b[0] - at_s < 4:
                value = min(value, b[1] + 5 * (b[0] - at_s))
        rows.append(f"{at_s:.1f},{value:.2f}")
    (folder / "traces" / "recorder.csv").write_text("time_s,ias_kt\n" + "\n".join(rows) + "\n", "utf-8")
    review = ReviewWorkflow(folder, "anna")
    now = review.load()
    (item,) = [item for item in now.queue.items if item.item is Item.RUN]
    stall_s = next(c.start_ns for c in flight_calls() if c.id == "b4") / 1e9

    assert item.proposed == "break" and item.flight_ns / 1e9 == pytest.approx(stall_s, abs=1.5)
    assert "a trace is lowest at" in item.why[1]

    state = replace(begin(now, "anna", review.results(now), ()), here=item.id)
    _, (effect,) = update(state, "p")
    review.add(effect.at_s, effect.value, kind=effect.kind, name=effect.name)
    assert [i for i in review.load().queue.items if i.item is Item.RUN] == []


def test_times_out_of_long_lines_of_text_are_an_item_of_their_own(campaign):  # noqa: F811
    spread = [replace(c, flags=(Flag.TRANSCRIPT, Flag.TIME_SPREAD)) if c.id[:2] == "s4" else c for c in flight_calls()]
    review = ReviewWorkflow(write(campaign, spread), "anna")
    (item,) = [item for item in review.load().queue.items if item.item is Item.TIMES]

    assert "10 calls come from long lines of text: their times are good to seconds only (run 5)" in item.why[0]
    review.act(Action.CONFIRM, item.id)
    assert [i for i in review.load().queue.items if i.item is Item.TIMES] == []
