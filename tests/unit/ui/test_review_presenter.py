"""What a key does on the review screen, without a screen."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from logger_app.domain.runs import find_runs
from logger_app.records.calls import Action, CallKind, Correction, HeardCall
from logger_app.records.journal import FlightInfo
from logger_app.review.apply import apply_corrections
from logger_app.review.items import Item, QueueItem
from logger_app.review.progress import progress_of
from logger_app.review.queue import build_queue
from logger_app.ui.presenters.review import AddCall, AddPhrase, Correct, Play, Undo, begin, renewed, update, view

NAMES = (("airspeed", "airspeed"), ("event", "buffet"), ("event", "break"), ("setting", "flap"))


def heard(id, at_s, value=None, kind=CallKind.AIRSPEED, name="ias"):
    ns = round(at_s * 1e9)
    unit = "kt" if kind is CallKind.AIRSPEED else None
    return HeardCall(
        id=id, start_ns=ns, end_ns=ns + 4 * 10**8, kind=kind, name=name, value=value, unit=unit, posterior=0.99
    )


HEARD = [
    heard("on", 8.0, None, CallKind.COMMAND, "on_condition"),
    *[heard(f"c{k}", 10 + 1.1 * k, v) for k, v in enumerate((60.0, 59.0, 58.0, 57.0, 15.0, 55.0, 54.0, 50.0, 49.0))],
    heard("ev", 21.0, None, CallKind.EVENT, "break"),
]


class ReviewData(SimpleNamespace):
    def call(self, id):
        return self.by_id.get(id)

    def run(self, id):
        return next((run for run in self.runs.runs if id in (run.id, str(run.number))), None)


def workflow(corrections=(), calls=HEARD):
    folded = apply_corrections(calls, corrections, "kt")
    runs = find_runs("f", folded)
    items = {c.target for c in corrections if c.action is Action.CONFIRM}
    queue = build_queue(runs, folded, settled=frozenset(items))
    return ReviewData(
        info=FlightInfo(id="f", configuration="baseline"),
        unit="kt",
        graduation=1.0,
        calls=folded,
        runs=runs,
        corrections=tuple(corrections),
        queue=queue,
        progress=progress_of(folded, corrections, queue),
        duration_s=60.0,
        end_s=60.0,
        points=("A1", "A2"),
        rates={},
        by_id={c.id: c for c in folded},
        spoken={},
        review=SimpleNamespace(complete=False),
    )


def start(**kw):
    return begin(workflow(**kw), "ann", {}, NAMES)


def press(state, *keys):
    effects = ()
    for key in keys:
        state, effects = update(state, key)
    return state, effects


def at(id, **kw):
    return press(start(**kw), f"go:{id}")[0]


def test_it_begins_at_what_matters_most():
    state = start()

    assert state.here == state.workflow.queue.items[0].id
    assert view(state).why


def test_enter_confirms_p_takes_the_proposal_x_rejects():
    state = at("c4")

    assert press(state, "enter")[1] == (Correct(action=Action.CONFIRM, target="c4"),)
    assert press(state, "p")[1] == (Correct(action=Action.SET, target="c4", payload=(("value", 56.0),)),)
    assert press(state, "x")[1] == (Correct(action=Action.REJECT, target="c4"),)


def test_typing_shows_and_enter_takes_it():
    state, _ = press(at("c4"), "5", "6", ".", "5", "backspace", "backspace")

    assert view(state).big == "56_"
    assert press(state, "enter")[1] == (Correct(action=Action.SET, target="c4", payload=(("value", 56.0),)),)
    told = (("kind", "airspeed"), ("value", 44.0))
    assert press(at("ev"), "4", "4", "enter")[1] == (Correct(action=Action.SET, target="ev", payload=told),)
    state, effects = press(at("c4"), ".", ".", "enter")
    assert (effects, state.trouble) == ((), True)


def test_a_silence_takes_the_proposal_or_a_typed_value_or_nothing():
    calls = [c for c in HEARD if c.id not in ("c3", "c4")] + [heard("c4", 14.4, 56.0)]
    state = start(calls=calls)
    due = next(i for i in state.workflow.queue.items if i.id == "due-c2")
    state, _ = press(state, f"go:{due.id}")

    assert press(state, "p")[1] == (AddCall(at_s=due.flight_ns / 1e9, value=57.0),)
    assert press(state, "5", "8", "enter")[1] == (AddCall(at_s=due.flight_ns / 1e9, value=58.0),)
    assert press(state, "enter")[1] == (Correct(action=Action.CONFIRM, target=due.id),)
    assert view(state).big == "?"


def test_space_plays_two_seconds_around_the_words_and_s_goes_slower():
    state, effects = press(at("c4"), "space")
    assert effects == (Play(start_s=pytest.approx(13.6), end_s=pytest.approx(15.6), speed=1.0),)
    speeds = []
    for _ in range(3):
        state, effects = update(state, "s")
        speeds.append(effects[0].speed)
    assert speeds == [0.75, 0.5, 1.0]


def test_arrows_go_through_the_list_and_through_time():
    state = at("c4")
    assert press(state, "right")[0].here == "c5"
    assert press(state, "left", "left")[0].here == "c2"
    assert press(at("on"), "left")[0].here == "on"
    first, last = state.workflow.queue.items[0].id, state.workflow.queue.items[-1].id
    assert press(start(), "up")[0].here == first
    assert press(start(), *["down"] * 30)[0].here == last


def test_cursor_move_and_add():
    state, effects = press(at("c4"), "+", "+", "-", "m")

    assert effects[0].action is Action.MOVE
    assert dict(effects[0].payload)["flight_ns"] == round((14.4 + 0.2 + 0.1) * 1e9)
    assert press(at("c4"), "4", "7", "a")[1] == (AddCall(at_s=pytest.approx(14.6), value=47.0),)
    assert press(at("c4"), "a")[0].trouble


def test_another_kind_is_chosen_by_arrows_or_first_letter():
    state, _ = press(at("c4"), "k")
    assert view(state).choices == ("airspeed", "buffet", "break", "flap")
    _, effects = press(state, "b", "b", "enter")
    assert effects == (Correct(action=Action.SET, target="c4", payload=(("kind", "event"), ("name", "break"))),)
    assert press(state, "down", "pick:3")[1][0].payload == (("kind", "setting"), ("name", "flap"))
    assert press(state, "escape")[0].choosing == ""


def test_runs_discard_reinstate_assign_split_join():
    state = at("c4")
    run = state.workflow.runs.runs[0]
    assert press(state, "d")[1] == (Correct(action=Action.DISCARD, target=run.id),)
    assert press(state, "t", "down", "enter")[1] == (
        Correct(action=Action.ASSIGN, target=run.id, payload=(("point", "A2"),)),
    )
    assert press(state, "[")[1][0].action is Action.SPLIT
    last = state.workflow.runs.runs[-1].id
    assert press(state, f"go:{last}", "j")[0].trouble
    assert press(state, "u")[1] == (Undo(),)


def test_after_a_correction_the_next_thing_to_look_at_is_shown():
    state = start()
    first, second = (item.id for item in state.workflow.queue.items[:2])
    done = Correction(id="k", utc="2027", who="ann", action=Action.REJECT, target=first)
    after = renewed(state, workflow([done]), {}, done)

    assert first not in {item.id for item in after.workflow.queue.items}
    assert after.here in {item.id for item in after.workflow.queue.items}
    assert "rejected" in after.message and not after.trouble


def test_who_went_elsewhere_by_hand_stays_there():
    state = at("c1")
    done = Correction(id="k", utc="2027", who="ann", action=Action.CONFIRM, target="c1")

    assert "c1" not in {item.id for item in state.workflow.queue.items}
    assert renewed(state, workflow([done]), {}, done).here == "c1"


def test_a_wild_reading_does_not_flatten_the_trace():
    drawn = view(at("c4"))

    assert drawn.low > 20
    assert {d.id: d.flagged for d in drawn.dots}["c4"]


def test_what_was_done_is_said_in_words():
    fix = Correction(id="k", utc="2027", who="ann", action=Action.SET, target="c4", payload=(("value", 56.0),))
    undo = Correction(id="u", utc="2028", who="ann", action=Action.UNDO, target="k")
    corrected = renewed(at("c4"), workflow([fix]), {}, fix)

    assert corrected.message == "15 kt: set to 56 kt"
    taken_back = renewed(corrected, workflow([fix, undo]), {}, undo)
    assert taken_back.message == "undone: 15 kt: set to 56 kt"
    assert taken_back.here == "c4"


def test_an_empty_flight_has_a_screen_too():
    state = begin(workflow(calls=[]), "ann", {}, NAMES)
    for key in ("enter", "p", "x", "space", "down", "right", "tab", "m", "k", "d", "t", "[", "j", "u", "5", "a"):
        state, _ = update(state, key)

    assert view(state).dots == ()


def test_any_keys_in_any_order_leave_a_state_that_can_be_drawn():
    from random import Random

    keys = [
        "enter",
        "p",
        "x",
        "space",
        "s",
        "up",
        "down",
        "left",
        "right",
        "tab",
        "k",
        "t",
        "d",
        "[",
        "j",
        "escape",
        "backspace",
        "5",
        ".",
        "+",
        "-",
        "a",
        "m",
        "go:c2",
        "go:nothing",
        "at:12.5",
        "b",
        "é",
        "pick:0",
    ]
    random = Random(2)
    state = start()
    for _ in range(1500):
        state, _ = update(state, random.choice(keys))
        view(state)


def test_one_key_moves_every_run_of_an_item_to_the_point_that_would_fit():
    there = workflow()
    first = there.runs.runs[0].id
    item = QueueItem(
        id="point-r1-A1",
        item=Item.POINT,
        target=first,
        run=first,
        flight_ns=0,
        why=("why",),
        proposed="A2",
        runs=(first, "r2"),
    )
    there.queue = replace(there.queue, items=(item,))
    state = begin(there, "ann", {}, NAMES)

    (moved,) = press(state, "p")[1]
    assert [(c.action, c.target, dict(c.payload)) for c in moved.corrections] == [
        (Action.ASSIGN, first, {"point": "A2"}),
        (Action.ASSIGN, "r2", {"point": "A2"}),
    ]
    (chosen,) = press(state, "t", "down", "enter")[1]
    assert {dict(c.payload)["point"] for c in chosen.corrections} == {"A2"}
    assert press(state, "enter")[1] == (Correct(action=Action.CONFIRM, target="point-r1-A1"),)


def test_one_key_reads_a_whole_run_again_or_keeps_what_was_heard():
    there = workflow()
    run = there.runs.runs[0].id
    item = QueueItem(
        id=f"decade-{run}",
        item=Item.DECADE,
        target=run,
        run=run,
        flight_ns=10**10,
        why=("All of this run's fifties read as forties would fit",),
        proposed="forties",
        runs=(run,),
        calls=(("c1", 49.0), ("c2", 48.0)),
    )
    there.queue = replace(there.queue, items=(item,))
    state = begin(there, "ann", {}, NAMES)
    shown = view(state)

    assert press(state, "p")[1] == (Correct(action=Action.REREAD, target=run, payload=item.calls),)
    assert press(state, "enter")[1] == (Correct(action=Action.CONFIRM, target=item.id),)
    assert {dot.id: dot.proposed_y for dot in shown.dots if dot.proposed_y} == dict(item.calls)
    assert (shown.big, shown.rows[0].title.split()[0]) == ("forties?", "forties?")


def test_confirming_a_run_confirms_its_calls_in_one_key():
    (done,) = press(at("c2"), "c")[1]

    assert {c.action for c in done.corrections} == {Action.CONFIRM}
    assert {c.target for c in done.corrections} >= {"c0", "c8", "ev"}


def test_our_words_for_a_call_are_typed_and_go_to_the_campaign():
    state, effects = press(at("ev"), "w", "t", "h", "e", "r", "e", "space", "s", "h", "e", "enter")

    assert effects == (AddPhrase(name="break", phrase="there she"),)
    assert not state.writing
    assert press(at("c2"), "w")[0].trouble


def test_help_covers_every_key_and_any_key_closes_it():
    state, _ = press(start(), "f1")

    assert view(state).help
    closed, effects = press(state, "x")
    assert (closed.help, effects) == (False, ())
