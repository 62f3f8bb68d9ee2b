"""`kneecall review`: check and correct the calls of a flight, on a screen or from the command line."""

from __future__ import annotations

import argparse
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say
from logger_app.errors import ReviewError

SUMMARY = """Check and correct the calls of a flight. Without an option: the review screen.
What was heard is never overwritten: each correction is a new row with who, when and why.
TIME is in seconds (512.4) or minutes (8:32.4) on the flight clock; RUN is its number or id."""
EXAMPLE = """kneecall review sparrow/flights/day1_baseline
         kneecall review sparrow/flights/day1_baseline --list
         kneecall review sparrow/flights/day1_baseline --set call-0042 57 --why "heard on replay"
         kneecall review sparrow/flights/day1_baseline --export calls.csv"""

# option, metavars, help
ACTS = (
    ("--confirm", ("ID",), "the call is right; or a queue item (a silence, a run) may stay as it is"),
    ("--set", ("ID", "VALUE"), "the call is VALUE (with --kind and --name: another kind of call)"),
    ("--reject", ("ID",), "not a call: nobody said it"),
    ("--add", ("TIME", "VALUE"), "a call that was not heard: a number, or an event's name"),
    ("--move", ("ID", "TIME"), "the call was said at TIME"),
    ("--discard", ("RUN",), "leave the run out"),
    ("--reinstate", ("RUN",), "reinstate a discarded run"),
    ("--split", ("RUN", "TIME"), "two runs: the second begins at TIME"),
    ("--join", ("RUN", "OTHER"), "one run: OTHER belongs to RUN"),
    ("--assign", ("RUN", "POINT"), "the run was flown at this test point"),
    ("--reread", ("RUN",), "correct all calls of the run as its queue item proposes: one decade read as another"),
    (
        "--overrule",
        ("RUN", "yes|no"),
        "count the run (yes) or not (no) whatever the verdict said; RUN `all`: those with no speed said at the break",
    ),
)


class _Act(argparse.Action):
    """Corrections are taken in the order in which they are given."""

    def __call__(self, parser, args, values, option=None):
        values = values if isinstance(values, list) else [values] if values is not None else []
        args.acts = [*(args.acts or []), (option.removeprefix("--"), values)]


def add_arguments(parser) -> None:
    parser.add_argument("flight", metavar="FLIGHT", type=Path, help="flight folder")
    parser.add_argument("--campaign", type=Path, help="campaign folder (default: the one above the flight)")
    parser.add_argument("--list", action="store_true", help="calls, runs, queue and progress")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.set_defaults(acts=None)
    for option, metavars, words in ACTS:
        parser.add_argument(option, nargs=len(metavars), metavar=metavars, action=_Act, dest="acts", help=words)
    parser.add_argument(
        "--undo",
        nargs="?",
        metavar="FIX",
        action=_Act,
        dest="acts",
        help="undo your last correction with all that its command made, or this one alone",
    )
    parser.add_argument(
        "--phrase",
        nargs=2,
        metavar=("NAME", "WORDS"),
        help="add WORDS to what the team says for a call, in the campaign: --phrase 'stick on the stop' \"stick's back\"",
    )
    parser.add_argument("--kind", help="with --set or --add: airspeed, event, setting or command")
    parser.add_argument("--name", help="with --set or --add: name of the event, setting or command")
    parser.add_argument("--unit", help="with --set or --add: unit of the value (default: the indicator's)")
    parser.add_argument("--why", default="", metavar="TEXT", help="reason, kept with the correction")
    parser.add_argument("--who", default="", metavar="NAME", help="who reviews (default: KNEECALL_WHO, or login name)")
    parser.add_argument(
        "--second", action="store_true", help="hear the sound again, slower; differences go to the queue"
    )
    parser.add_argument("--export", type=Path, metavar="FILE", help="write calls as .csv, .vtt or .srt")
    parser.add_argument("--import", type=Path, metavar="FILE", dest="take", help="take changes from an edited .csv")
    parser.add_argument(
        "--take-mine",
        action="store_true",
        help="with --import: take your changes also where somebody else changed the same call since the export",
    )
    parser.add_argument("--clock", metavar="CAMERA", help="with --export: subtitles on this camera file's clock")
    parser.add_argument("--force", action="store_true", help="with --export: replace the file")


def run(args) -> int:
    from logger_app.workflows.review import ReviewWorkflow, person

    workflow = ReviewWorkflow(args.flight, args.who or person(), args.campaign)
    done: dict = {}
    if args.second:
        with Progress("listening again") as bar:
            done["differences"] = workflow.listen_again(bar.to)
        say(f"second listening: {done['differences']} differences, now in the queue")
    if args.phrase:
        name, words = workflow.understood(args.phrase[0])["name"], args.phrase[1]
        workflow.add_phrase(name, words)
        done["phrase"] = words
        say(f"{words!r} is now one of the team's words; it is used the next time a recording is heard")
    if args.take:
        made, conflicts = _import(workflow, args)
        done["corrections"] = [c.id for c in made]
        done["conflicts"] = [{"id": c.id, "taken": args.take_mine, "words": c.in_words()} for c in conflicts]
    if args.acts:
        made = acts_of(workflow, args)
        done["corrections"] = done.get("corrections", []) + [c.id for c in made]
        for correction in made:
            say(f"{correction.id}: {correction.action} {correction.target}")
    if args.export:
        workflow.export(args.export, camera=args.clock, force=args.force)
        done["exported"] = str(args.export)
        say(f"written: {args.export}")
    if args.json:
        print_json({**workflow.load().as_json(), "done": done})
    elif args.list:
        _print(workflow.load())
    elif not done:
        return _screen(workflow)
    return 1 if done.get("conflicts") and not args.take_mine else 0


def acts_of(workflow, args) -> list:
    """Take the corrections of a command line, in order; an undo sees what stands before it."""
    from logger_app.records.calls import Action

    made: list = []
    batch: list = []
    for name, values in args.acts:
        if name == "undo":
            made += workflow.act_all(batch) if batch else []
            made += workflow.undo(values[0] if values else None)
            batch = []
        elif name == "overrule" and values[0] == "all":
            batch += [_wanted(workflow, Action(name), [id, values[1]], args) for id in _unconfirmed(workflow)]
        else:
            batch.append(_wanted(workflow, Action(name), values, args))
    return made + (workflow.act_all(batch) if batch else [])


def _wanted(workflow, action, values: list[str], args) -> tuple:
    from logger_app.records.calls import Action
    from logger_app.units import s_to_ns
    from logger_app.workflows.review import new_call_id

    given = {"kind": args.kind, "name": args.name, "unit": args.unit}
    target, payload = values[0], {}
    if action in RUN_WORDS:
        target = _run_id(workflow, target)
    if action is Action.SET:
        payload = _content(workflow, values[1], given)
    elif action is Action.ADD:
        payload = {"flight_ns": s_to_ns(seconds(values[0])), **_content(workflow, values[1], given)}
        target = new_call_id()
    elif action is Action.MOVE or action is Action.SPLIT:
        payload = {"flight_ns": s_to_ns(seconds(values[1]))}
    elif action is Action.JOIN:
        payload = {"other": _run_id(workflow, values[1])}
    elif action is Action.ASSIGN:
        payload = {"point": values[1]}
    elif action is Action.REREAD:
        items = [item for item in workflow.load().queue.items if item.target == target and item.calls]
        payload = dict(items[0].calls) if items else {}
    elif action is Action.OVERRULE:
        if values[1] not in ("yes", "no"):
            raise ReviewError(f"--overrule {target}: got {values[1]!r}; expected yes or no.")
        payload = {"counts": values[1] == "yes"}
    return action, target, args.why, payload


def _unconfirmed(workflow) -> list[str]:
    """The runs that do not count only because no speed was said at the break."""
    now = workflow.load()
    found = [id for id, result in workflow.results(now).items() if result.too_far_only]
    if not found:
        raise ReviewError("--overrule all: no run waits for its fitted stall speed to be accepted.")
    return found


RUN_WORDS = frozenset({"discard", "reinstate", "split", "join", "assign", "reread", "overrule"})


def _content(workflow, text: str, options: dict) -> dict:
    """What a call is: a number, or words such as "stick on the stop" or "flaps 20", or the name of an event."""
    value = _value(text)
    if not isinstance(value, str) or options["kind"] == "setting" or options["name"]:
        return {**options, "value": value}
    given = {key: option for key, option in options.items() if option is not None}
    return {**options, **workflow.understood(text), **given}


def _value(text: str) -> float | str | None:
    if text in ("", "-"):
        return None
    try:
        return float(text)
    except ValueError:
        return text


def seconds(text: str) -> float:
    """`512.4` or `8:32.4` or `1:08:32.4` as seconds; `ReviewError` if it is neither."""
    try:
        parts = [float(part) for part in text.split(":")]
        if not 1 <= len(parts) <= 3 or any(part < 0 for part in parts) or any(part >= 60 for part in parts[1:]):
            raise ValueError
    except ValueError:
        raise ReviewError(f"time {text!r}: expected seconds (512.4) or minutes and seconds (8:32.4).") from None
    total = 0.0
    for part in parts:
        total = 60 * total + part
    if not total < 1e7:
        raise ReviewError(f"time {text!r}: no flight is that long.")
    return total


def _run_id(workflow, text: str) -> str:
    run = workflow.load().run(text) if text.isdigit() else None
    return run.id if run else text


def _import(workflow, args) -> tuple[list, list]:
    made, conflicts = workflow.take_table(args.take, args.take_mine)
    taken = f"{args.take}: {len(made)} corrections taken"
    say(f"{taken}, {len(conflicts)} in conflict with changes by others" if conflicts and args.take_mine else taken)
    if not args.take_mine:
        for conflict in conflicts:
            say(f"not taken: {conflict.in_words()}")
    if conflicts and not args.take_mine:
        say(
            f"kneecall: {len(conflicts)} of your changes contradict others made since the export; --take-mine takes yours"
        )
    return made, list(conflicts)


def _print(now) -> None:
    from logger_app.domain.call_words import call_words, shown

    def show(call) -> None:
        heard = call.heard
        changed = heard is not None and (heard.name, heard.value) != (call.name, call.value)
        was = f"  (heard {call_words(heard, now.unit, now.spoken)})" if heard is not None and changed else ""
        spread = "  time uncertain: from a long line of text" if "time_spread" in call.flags else ""
        words = call_words(call, now.unit, now.spoken)
        print(f"  {call.id}  {call.flight_s:8.2f} s  {words}  {call.status}{was}{spread}")

    print(f"{now.info.id}: {now.review.in_words() if now.review.complete else now.progress.in_words()}")
    for run in now.runs.runs:
        state = f"discarded ({run.why_discarded})" if run.discarded else str(run.ended)
        point = run.point or f"no test point ({run.why_no_point})"
        if run.point and not run.point_sure and run.next_likeliest:
            point += f" (not sure: {run.point_why}; or {run.next_likeliest})"
        print(f"\nrun {run.number}  {run.start_s:.1f} to {run.end_s:.1f} s  {point}  {state}")
        for call in run.calls:
            show(call)
    if now.runs.unassigned:
        print("\nin no run")
        for call in now.runs.unassigned:
            show(call)
    rejected = [call for call in now.calls if not call.counts]
    if rejected:
        print("\nrejected")
        for call in rejected:
            show(call)
    if now.queue.items:
        print("\nto look at")
    for item in now.queue.items:
        proposed = "" if item.proposed is None else f"  proposed: {shown(item.proposed)}"
        print(f"  {item.id}  {item.flight_ns / 1e9:.1f} s  {'; '.join(item.why)}{proposed}")


def _screen(workflow) -> int:
    from logger_app.ui.screens.review_app import open_review

    return open_review(workflow)
