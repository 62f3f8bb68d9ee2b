"""Planning a campaign: a new one from answers, what has been flown of it, its cards on paper.

Used by `kneecall plan` and by the app's form and plan screen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from logger_app.domain.editions import elsewhere_in_words
from logger_app.errors import CardError, Fault, LoggerError
from logger_app.plan import edit, keys
from logger_app.plan.advice import advise
from logger_app.plan.cards_io import campaign_file, missing_photos, read_campaign, read_text, write_text
from logger_app.plan.flights import count_flown, next_flight, shared_runs
from logger_app.plan.keys import Key, twins
from logger_app.plan.parse import parse_text
from logger_app.plan.presets import PRESETS
from logger_app.plan.questions import QUESTIONS, Question, answers_from, flag, read_answer, worth_asking
from logger_app.plan.repeats import budget_document, budget_text, read_budget, within_budget
from logger_app.plan.summary import matrix, plan_document, plan_text
from logger_app.plan.template import also_in, campaign_text
from logger_app.records.journal import FlightInfo
from logger_app.records.plan import Campaign, Loading, PlannedFlight
from logger_app.records.results import StallSpeed

__all__ = [
    "PRESETS",
    "Key",
    "advise",
    "also_in",
    "count_flown",
    "edit",
    "keys",
    "matrix",
    "next_flight",
    "parse_text",
    "QUESTIONS",
    "Flown",
    "NewCampaign",
    "Question",
    "budget_document",
    "budget_text",
    "campaign_file",
    "chosen_flight",
    "faults_by_question",
    "flag",
    "flown",
    "missing_photos",
    "new_text",
    "plan_document",
    "plan_text",
    "print_cards",
    "read_answer",
    "read_answers",
    "read_budget",
    "read_campaign",
    "read_text",
    "twins",
    "within_budget",
    "worth_asking",
    "write_new",
    "write_text",
]
WHERE = "plan new, "


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCampaign:
    """A campaign that was just written, in numbers."""

    file: Path
    points: int
    configurations: int
    flights: int


def new_text(values: Mapping[str, object]) -> str:
    """The campaign file that follows from the answers.

    Raises
    ------
    CardError
        Answers are missing or contradict each other; all at once.
    """
    return campaign_text(answers_from(values))


def read_answers(
    texts: Mapping[str, str | None], known: Mapping = MappingProxyType({}), ask: Callable | None = None
) -> dict:
    """Answers in words, by question, as values; `ask` gets the value of a question without an answer.

    Raises
    ------
    CardError
        Some cannot be read; all at once.
    """
    values = dict(known)
    faults: list[Fault] = []
    for question in QUESTIONS:
        text = texts.get(question.name)
        if text is None and ask and worth_asking(question, values):
            values[question.name] = ask(question)
            continue
        try:
            values[question.name] = read_answer(question, text) if text is not None else None
        except CardError as err:
            faults += err.faults
    if faults:
        raise CardError(faults=tuple(faults))
    return values


def faults_by_question(texts: Mapping[str, str]) -> dict[str, str]:
    """What is wrong with a filled form: a sentence by question; under "" what belongs to none."""
    try:
        new_text({name: value for name, value in read_answers(texts).items() if value is not None})
    except CardError as err:
        found: dict[str, str] = {}
        for fault in err.faults or (Fault(where="", got=str(err), expected=""),):
            name = fault.where.removeprefix(WHERE) if fault.where.startswith(WHERE) else ""
            known = name in {question.name for question in QUESTIONS}
            words = f"{fault.got}; expected {fault.expected}" if fault.expected else fault.got
            if known and not texts[name].strip():
                words = "needed"
            found.setdefault(name if known else "", words)
        return found
    return {}


def write_new(folder: Path, text: str, *, force: bool = False) -> NewCampaign:
    """Write a new campaign file.

    Raises
    ------
    CardError
        There is one already, and `force` is not given.
    """
    file = campaign_file(folder)
    if file.exists() and not force:
        raise CardError(f"{file}: already exists; not overwritten. Give --force to replace it.")
    write_text(file, text)
    campaign, _ = parse_text(text)
    assert campaign is not None, "the template makes a campaign without faults"
    return NewCampaign(
        file=file,
        points=len(campaign.points),
        configurations=len(campaign.configurations),
        flights=len(campaign.flights),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Flown:
    """What has been flown of a plan; `trouble` says why it could not be read, if so.

    `elsewhere` says which runs the plan as it is now would put at another point than they were flown for.
    """

    runs: Sequence[StallSpeed] = ()
    flights: Sequence[FlightInfo] = ()
    trouble: str = ""
    elsewhere: Sequence[str] = ()

    @property
    def counted(self) -> Mapping[tuple[str, str], int]:
        """Runs that count, by (configuration id, point id)."""
        return count_flown(self.runs)


def flown(folder: Path, progress: Callable[[float], object] = lambda share: None) -> Flown:
    """Reduced runs, and the flights in order."""
    root = folder.parent if folder.is_file() else folder
    if not any((root / "flights").glob("*/flight.sqlite")):
        return Flown()
    from logger_app.workflows.campaign import FlightByFlight

    try:
        reader = FlightByFlight(root)
        infos, elsewhere = [], []
        for k, (data, _) in enumerate(reader, 1):
            infos.append(data.info)
            elsewhere += elsewhere_in_words(data.runs)
            progress(k / len(reader))
        runs = reader.reduction().runs
    except LoggerError as err:
        return Flown(trouble=str(err))
    flights = sorted(infos, key=lambda info: (info.started_utc, info.id))
    return Flown(runs=runs, flights=flights, elsewhere=elsewhere)


def hearing_problems(campaign: Campaign) -> list[str]:
    """What `hear` would refuse or guess of the team's words, one sentence each."""
    from logger_app.hear.packs_io import load_pack

    try:
        pack = load_pack(campaign.language, campaign)
    except LoggerError as err:
        return [f"team words: hear and fly would refuse them. {err}"]
    return [
        f"team words: {word!r} is in no dictionary; its sound is guessed ({phones}). If it is not heard, give it: {word}/{phones}/"
        for word, phones in pack.guessed
    ]


def print_cards(
    out: Path, campaign: Campaign, done: Flown, *, paper: str = "a5", flight: str = "", force: bool = False
) -> int:
    """Write kneeboard cards as PDF; of one flight, or all. Gives the number of sheets.

    Raises
    ------
    CardError
        The file is there already, or there is no such flight.
    """
    from logger_app.plan.cards_pdf_io import write_cards

    if out.exists() and not force:
        raise CardError(f"{out}: already exists; not overwritten. Give --force to replace it.")
    planned, runs = chosen_flight(flight, campaign, done) if flight else (None, None)
    return write_cards(out, campaign, paper=paper, flight=planned, runs=runs)


def chosen_flight(name: str, campaign: Campaign, done: Flown):
    """The planned flight of this id, or the proposed next one with its runs."""
    planned = campaign.flight(name)
    if planned is not None:
        return planned, shared_runs(campaign, planned)
    if name != "next":
        known = ", ".join(f.id for f in campaign.flights) or "none"
        raise CardError(f'--flight: there is no flight "{name}"; expected next, or one of: {known}.')
    history = [f.configuration for f in done.flights if f.configuration]
    proposed = next_flight(campaign, done.counted, history)
    if proposed is None:
        raise CardError("--flight next: every run wanted has been flown; name a flight, or ask for more runs.")
    like = next((f for f in campaign.flights if f.configuration == proposed.configuration), None)
    flight = PlannedFlight(
        id=f"{proposed.number:02d}_{proposed.configuration}",
        configuration=proposed.configuration,
        loading=like.loading if like else Loading(),
        cards=proposed.cards(campaign),
        note=proposed.reason,
    )
    return flight, dict(proposed.runs)
