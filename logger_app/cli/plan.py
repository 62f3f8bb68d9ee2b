"""`kneecall plan`: a new campaign, its checks, its matrix, its paper cards, its screen."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say
from logger_app.errors import CardError, LoggerError

SUMMARY = (
    "Plan a campaign. `plan new DIR` asks a few questions (or takes options) and writes a commented\n"
    "campaign.toml; `plan DIR` checks it and prints points, order, runs, time, fuel, weight and CG,\n"
    "what has been flown and what comes next; --cards prints kneeboard cards, --screen opens the plan."
)
EXAMPLE = """kneecall plan new heron --aircraft Heron --change "leading-edge cuffs" \\
             --empty-weight-kg 388 --max-weight-kg 640 --wing-area-m2 12.4 \\
             --flaps 0,15,30 --flap-limits 85,75 --stalls 47,43,41 \\
             --powers "idle,2100 rpm" --banks 0,30
         kneecall plan heron --cards heron/cards.pdf"""


class EndOfAnswers(LoggerError):
    """The terminal was closed while questions were asked."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of both forms; those of `new` are named after the questions."""
    parser.usage = "kneecall plan DIR [options]\n       kneecall plan new DIR [options]"
    parser.add_argument("folder", nargs="+", metavar="DIR", help="campaign folder; `new DIR` makes one")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument("--cards", type=Path, metavar="OUT.pdf", help="write kneeboard cards")
    parser.add_argument(
        "--paper", choices=("a5", "half-letter"), default="a5", help="two cards a sheet (default: a5 on A4)"
    )
    parser.add_argument("--flight", metavar="ID", help="cards of one planned flight; `next` for the proposed one")
    parser.add_argument(
        "--budget",
        metavar="AMOUNT",
        help='what "3 flights" or "4 hours" can answer: flights, order, runs, time and fuel',
    )
    parser.add_argument("--screen", action="store_true", help="open the plan screen")
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    new = parser.add_argument_group("for `plan new` (what is not given is asked for on a terminal)")
    _question_options(new)
    parser.set_defaults(parser=parser)


def _question_options(group) -> None:
    from logger_app.workflows.planning import QUESTIONS, flag, twins

    for question in QUESTIONS:
        again = {"action": "append"} if question.name == "changes" else {}
        also = f" (usual: {question.usual})" if question.usual else ""
        group.add_argument(
            flag(question.name),
            dest=f"new_{question.name}",
            metavar="X",
            help=question.ask.replace("%", "%%") + also,
            **again,
        )
        for other in twins(question.name):
            unit = other.rsplit("_per_h", 1)[0].rsplit("_", 1)[1] + ("/h" if other.endswith("_per_h") else "")
            group.add_argument(flag(other), dest=f"new_{question.name}", type=_with_unit(unit), help=argparse.SUPPRESS)
    group.add_argument("--speeds", action="store_true", help="also a card for VS0 and VS1 after 14 CFR 23.49")
    group.add_argument("--accelerated", action="store_true", help="also accelerated turning stalls (needs a bank)")


def _with_unit(unit: str):
    spelt = "km/h" if unit == "kmh" else unit
    return lambda text: f"{text} {spelt}"


def run(args: argparse.Namespace) -> int:
    """Make, check, print, or open a plan."""
    if args.folder[0] == "new" and len(args.folder) == 2:
        return _new(args, Path(args.folder[1]))
    if len(args.folder) != 1:
        args.parser.error("expected one campaign folder, or `new` and a folder")
    folder = Path(args.folder[0])
    if args.screen:
        from logger_app.ui.screens.plan_app import open_plan

        return open_plan(folder, _flown(folder))
    return _show(args, folder)


def _new(args: argparse.Namespace, folder: Path) -> int:
    from logger_app.workflows.planning import campaign_file, new_text, write_new

    if not args.force and campaign_file(folder).exists():
        raise CardError(f"{campaign_file(folder)}: already exists; not overwritten. Give --force to replace it.")
    text = _asked(args) if _can_ask() else new_text(_values(args, {}, ask=False))
    made = write_new(folder, text, force=args.force)
    counts = {
        "file": str(made.file),
        "points": made.points,
        "configurations": made.configurations,
        "flights": made.flights,
    }
    if args.json:
        print_json(counts)
        return 0
    print(f"{made.file}: {made.points} points, {made.configurations} configurations, {made.flights} flights")
    print(f"next: kneecall plan {folder}, then kneecall plan {folder} --cards {folder}/cards.pdf")
    return 0


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _asked(args: argparse.Namespace) -> str:
    """The campaign's text from questions; answers that contradict each other are asked again, not lost."""
    from logger_app.workflows.planning import new_text

    say("Enter accepts the answer in brackets, or leaves it out; - leaves it out. Ctrl-C stops, nothing is written.")
    typed: dict[str, str] = {}
    while True:
        try:
            return new_text(_values(args, typed, ask=True))
        except CardError as err:
            say(f"\n{err}\nOnce more; Enter keeps your answer.\n")


def _values(args: argparse.Namespace, typed: dict[str, str], *, ask: bool) -> dict:
    """Answers by question, from the options and, if asked for, from the terminal (kept in `typed`)."""
    from logger_app.workflows.planning import QUESTIONS, read_answers

    given = {question.name: getattr(args, f"new_{question.name}") for question in QUESTIONS}
    texts = {name: "; ".join(answer) if isinstance(answer, list) else answer for name, answer in given.items()}
    known = {"accelerated": args.accelerated or None, "speeds": args.speeds or None}
    return read_answers(texts, known, (lambda question: _ask(question, typed)) if ask else None)


def _ask(question, typed: dict[str, str]):
    """Ask until the answer can be read; what was typed before is the usual answer now."""
    from logger_app.workflows.planning import read_answer

    usual = typed.get(question.name, question.usual)
    while True:
        sys.stderr.write(f"{question.ask}{f' [{usual}]' if usual else ''}: ")
        sys.stderr.flush()
        line = sys.stdin.readline()
        if not line:
            raise EndOfAnswers("The answers ended before the last question; nothing was written.")
        text = line.strip() or usual
        try:
            value = read_answer(question, text)
        except CardError as err:
            say(f"  {err.faults[0].got}: expected {err.faults[0].expected}")
            continue
        typed[question.name] = text
        return value


def _show(args: argparse.Namespace, folder: Path) -> int:
    from logger_app.workflows.planning import (
        hearing_problems,
        missing_photos,
        plan_document,
        plan_text,
        print_cards,
        read_campaign,
    )

    try:
        campaign = read_campaign(folder)
    except CardError as err:
        if args.json and err.faults and folder.exists():
            faults = [{"where": f.where, "got": f.got, "expected": f.expected, "hint": f.hint} for f in err.faults]
            print_json({"faults": faults})
        raise
    if args.budget:
        return _budget(args, campaign)
    done = _flown(folder)
    if args.cards:
        sheets = print_cards(args.cards, campaign, done, paper=args.paper, flight=args.flight or "", force=args.force)
        if args.json:
            print_json({"cards": str(args.cards), "sheets": sheets, "paper": args.paper})
        else:
            print(f"{args.cards}: {sheets} sheets, two cards on each; print at 100 %")
        return 0
    photos = list(missing_photos(folder, campaign))
    words = hearing_problems(campaign) if campaign.team.words else []
    if args.json:
        document = plan_document(campaign, done.counted, list(done.flights))
        extra = {
            "not_counted": done.trouble,
            "missing_photos": photos,
            "elsewhere": list(done.elsewhere),
            "team_words": words,
        }
        print_json({**document, **extra})
        return 0
    print(plan_text(campaign, done.counted, list(done.flights)))
    for sentence in photos:
        print(f"  - photo: {sentence}")
    for sentence in (*words, *done.elsewhere):
        print(f"  - {sentence}")
    if done.trouble:
        say(f"\nThe flights could not be read, so no run is counted: {done.trouble}")
    return 0


def _budget(args: argparse.Namespace, campaign) -> int:
    from logger_app.workflows.planning import budget_document, budget_text, read_budget, within_budget

    flights, hours = read_budget(args.budget)
    found = within_budget(campaign, flights, hours)
    if args.json:
        print_json(budget_document(found))
    else:
        print(budget_text(campaign, found))
    return 0


def _flown(folder: Path):
    from logger_app.workflows.planning import flown

    with Progress("Flights") as progress:
        return flown(folder, progress.to)
