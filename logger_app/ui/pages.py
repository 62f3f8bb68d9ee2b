"""The pages of the app on the ground: each holds what it knows, gives a `PageView`, and takes what was pressed, typed or dropped.

No Kivy here: `screens.home` draws a page, `main_app` is the `Shell` that opens pages, screens and jobs.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from logger_app.errors import LoggerError
from logger_app.ui.presenters import home
from logger_app.ui.presenters.home import FieldView, Listing, PageView, TileView
from logger_app.workflows import planning
from logger_app.workflows.desktop_entry import is_installed
from logger_app.workflows.overview import REPORT, RESULTS, Overview, overview, recent, remember


class Shell(Protocol):
    """What a page may ask of the window."""

    def open(self, page: Page) -> None:
        """Show a page above this one."""

    def back(self) -> None:
        """Back to the page below."""

    def changed(self) -> None:
        """This page must be drawn again."""

    def screen(self, name: str, folder: Path, **more) -> None:
        """Open one of the program's screens in this window: plan, preflight, fly, review, compare, history."""

    def work(self, job: Callable[[], object], done: Callable[[object, str], None]) -> None:
        """Do something in a thread; `done` is called in the window's thread with the result and, if it failed, why."""

    def show(self, path: Path) -> str:
        """Open a file or folder with the system's program; gives what went wrong, if so."""


class Page:
    """A page; `shell` is set when it is opened."""

    shell: Shell

    def view(self) -> PageView:
        """What to draw."""
        raise NotImplementedError

    def opened(self) -> None:
        """It is shown, for the first time or again."""

    def press(self, key: str) -> None:
        """A tile or an action."""

    def typed(self, name: str, text: str) -> None:
        """A field was filled in."""

    def dropped(self, path: Path) -> None:
        """A file was dropped onto the window."""

    def tick(self) -> bool:
        """Now and then: whether there is something new to draw."""
        return False

    def closed(self) -> None:
        """It is left."""


class HomePage(Page):
    """Recent campaigns, a new one, a folder, the demo."""

    def __init__(self) -> None:
        self.message = ""

    def view(self) -> PageView:
        return home.home_view(recent(), self.message, is_installed())

    def press(self, key: str) -> None:
        kind, _, rest = key.partition(":")
        if kind == "campaign":
            self.enter(Path(rest))
        elif kind == "new":
            self.shell.open(NewPage(self.enter))
        elif kind == "open":
            self.shell.open(FilesPage("Open a campaign folder", lambda paths: self.enter(paths[0]), want_folder=True))
        elif kind == "entry":
            self.shell.open(JobPage("Add to the menu", ["store", "install-entry"]))
        elif kind == "demo":
            from logger_app.io.resources import user_dir

            out = user_dir() / "demo"
            if (out / "campaign" / planning.campaign_file(Path()).name).is_file():
                self.enter(out / "campaign")
                return
            after = TileView(key="enter", title="Open the demo campaign", role="main")
            self.shell.open(JobPage("Demo", ["demo", "-o", str(out)], {after: lambda: self.enter(out / "campaign")}))

    def dropped(self, path: Path) -> None:
        self.enter(path if path.is_dir() else path.parent)

    def enter(self, folder: Path) -> None:
        """Open a campaign, or say why not."""
        if not planning.campaign_file(folder).is_file():
            self.message = f"{folder}: there is no campaign.toml in this folder."
            self.shell.changed()
            return
        self.message = ""
        folder = planning.campaign_file(folder).parent
        remember(folder)
        self.shell.open(CampaignPage(folder))


class CampaignPage(Page):
    """The path of one campaign as tiles."""

    def __init__(self, folder: Path):
        self.folder = Path(folder)
        self.now: Overview | None = None
        self.looking = True
        self.message = ""

    def view(self) -> PageView:
        return home.campaign_view(None if self.looking else self.now, self.folder.name, self.message)

    def opened(self) -> None:
        self.looking = True  # what was known is old: nothing is pressed on it
        self.shell.work(lambda: overview(self.folder), self._known)

    def _known(self, now: object, trouble: str) -> None:
        if isinstance(now, Overview):
            self.now = now
        self.looking, self.message = False, trouble
        self.shell.changed()

    def press(self, key: str) -> None:
        self.message = ""
        act = {
            "plan": lambda: self.shell.screen("plan", self.folder),
            "preflight": lambda: self.shell.screen("preflight", self.folder),
            "fly": lambda: self.shell.screen("fly", self.folder),
            "hear": lambda: self._hear([]),
            "review": self._review,
            "sync": lambda: self._sync([]),
            "compare": self._compare,
            "history": lambda: self.shell.screen("history", self.folder),
            "reduce": lambda: self._reduce([]),
            "report": self._report,
            "open_report": lambda: self._show(self.folder / REPORT),
            "cards": self._cards,
            "folder": self._results,
        }[key]
        act()

    def dropped(self, path: Path) -> None:
        self.shell.open(DroppedPage(path, {"hear": self._hear, "sync": self._sync, "reduce": self._reduce}))

    def _flights(self):
        return self.now.flights if self.now else ()

    def _one_flight(self, title: str, then: Callable[[str], None]) -> None:
        """Ask which flight, unless there is only one."""
        flights = [flight for flight in self._flights() if not flight.trouble]
        if len(flights) == 1:
            then(flights[0].id)
        else:
            self.shell.open(FlightPage(title, self._flights(), then))

    def _hear(self, files: list[Path]) -> None:
        self.shell.open(HearPage(self.folder, self.now, files))

    def _review(self) -> None:
        self._one_flight("Review", lambda id: self.shell.screen("review", self.folder / "flights" / id))

    def _sync(self, files: list[Path]) -> None:
        self._one_flight("Sync a camera", lambda id: self.shell.open(SyncPage(self.folder / "flights" / id, files)))

    def _compare(self) -> None:
        compared = self.now.compared if self.now else ()

        def open_point(point: str) -> None:
            self.shell.screen("compare", self.folder, point=point, configurations=dict(compared)[point])

        self.shell.open(PointPage(compared, open_point))

    def _reduce(self, files: list[Path]) -> None:
        self.shell.open(ReducePage(self.folder, [flight.id for flight in self._flights()], files))

    def _report(self) -> None:
        after = TileView(key="read", title="Read the report", role="main")
        self.shell.open(
            JobPage("Report", ["report", str(self.folder)], {after: lambda: self._show(self.folder / REPORT)})
        )

    def _cards(self) -> None:
        out = self.folder / RESULTS / "cards.pdf"
        after = TileView(key="read", title="Open the cards", role="main")
        words = ["plan", str(self.folder), "--cards", str(out), "--force"]
        self.shell.open(JobPage("Cards on paper", words, {after: lambda: self._show(out)}))

    def _results(self) -> None:
        folder = self.folder / RESULTS
        self._show(folder if folder.is_dir() else self.folder)

    def _show(self, path: Path) -> None:
        self.message = self.shell.show(path)
        self.shell.changed()


class NewPage(Page):
    """The questions of `plan new` as a form."""

    def __init__(self, made: Callable[[Path], None]):
        self.made = made
        self.texts = {question.name: "" for question in planning.QUESTIONS}
        self.folder = ""
        self.faults: dict[str, str] = {}
        self.tried = False
        self.message = ""

    def default_folder(self) -> Path:
        """Where the campaign goes unless another folder is given: in the user's folder, named after the aircraft."""
        name = re.sub(r"[^a-z0-9]+", "_", self.texts["aircraft"].lower()).strip("_") or "campaign"
        return Path.home() / "kneecall" / name

    def view(self) -> PageView:
        values: dict = {}
        fields = [
            FieldView(
                name="folder",
                label="Folder of the campaign",
                text=self.folder,
                hint=str(self.default_folder()),
                fault=self.faults.get("folder", ""),
            )
        ]
        for question in planning.QUESTIONS:
            if planning.worth_asking(question, values):
                ask = question.ask[:1].upper() + question.ask[1:]
                fields.append(
                    FieldView(
                        name=question.name,
                        label=f"{ask} *" if question.required else ask,
                        text=self.texts[question.name],
                        hint=question.usual,
                        fault=self.faults.get(question.name, ""),
                    )
                )
            try:
                values[question.name] = planning.read_answer(question, self.texts[question.name])
            except LoggerError:
                values[question.name] = None
        return home.new_view(fields, self.message or self.faults.get("", ""))

    def typed(self, name: str, text: str) -> None:
        if name == "folder":
            self.folder = text.strip()
        else:
            self.texts[name] = text
        if self.tried:
            self._check()
        self.shell.changed()

    def _check(self) -> None:
        self.faults = planning.faults_by_question(self.texts)
        folder = Path(self.folder or self.default_folder()).expanduser()
        if planning.campaign_file(folder).exists():
            self.faults["folder"] = "there is a campaign in it already"

    def press(self, key: str) -> None:
        self.tried, self.message = True, ""
        self._check()
        if not self.faults:
            folder = Path(self.folder or self.default_folder()).expanduser()
            try:
                values = planning.read_answers(self.texts)
                folder.mkdir(parents=True, exist_ok=True)
                planning.write_new(folder, planning.new_text(values))
            except (LoggerError, OSError) as err:
                self.message = str(err)
            else:
                self.shell.back()
                self.made(folder)
                return
        self.shell.changed()


class FlightPage(Page):
    """Which flight?"""

    def __init__(self, title: str, flights: Sequence, then: Callable[[str], None]):
        self.title, self.flights, self.then = title, flights, then

    def view(self) -> PageView:
        return home.flights_view(self.title, self.flights)

    def press(self, key: str) -> None:
        self.shell.back()
        self.then(key.partition(":")[2])


class PointPage(Page):
    """Which test point?"""

    def __init__(self, compared: Sequence[tuple[str, Sequence[str]]], then: Callable[[str], None]):
        self.compared, self.then = compared, then

    def view(self) -> PageView:
        return home.points_view(self.compared)

    def press(self, key: str) -> None:
        self.shell.back()
        self.then(key.partition(":")[2])


class DroppedPage(Page):
    """What is the file that was dropped?"""

    def __init__(self, path: Path, ways: dict[str, Callable[[list[Path]], None]]):
        self.path, self.ways = path, ways

    def view(self) -> PageView:
        return home.dropped_view(self.path)

    def press(self, key: str) -> None:
        self.shell.back()
        self.ways[key]([self.path])


class WithFiles(Page):
    """A page with a list of files: added by dialog, dropped, removed; `chosen` is what a tile with a colon chose."""

    suffixes: tuple[str, ...] = ()

    def __init__(self, files: Sequence[Path]):
        self.files, self.chosen = list(files), ""

    def press(self, key: str) -> None:
        if key == "add":
            self.shell.open(FilesPage("Choose files", self._add, suffixes=self.suffixes))
        elif key == "clear":
            self.files = []
            self.shell.changed()
        elif key == "go":
            self.go()
        elif ":" in key:
            self.chosen = key.partition(":")[2]
            self.shell.changed()

    def _add(self, paths: Sequence[Path]) -> None:
        self.files += [path for path in paths if path not in self.files]
        self.shell.changed()

    def dropped(self, path: Path) -> None:
        if path.suffix.lower() in self.suffixes:
            self._add([path])

    def go(self) -> None:
        """Begin."""

    def run(self, title: str, words: Sequence[str]) -> None:
        """The job in place of this page."""
        self.shell.back()
        self.shell.open(JobPage(title, words))


class HearPage(WithFiles):
    """A recording or transcript into a flight."""

    suffixes = home.RECORDINGS

    def __init__(self, folder: Path, now: Overview | None, files: Sequence[Path]):
        super().__init__(files)
        self.folder = folder
        self.configurations = now.configurations if now else ()
        self.planned = dict(now.planned) if now else {}
        self.name = next((id for id in self.planned if not self._taken(id)), "")
        self.chosen = self.configurations[0] if len(self.configurations) == 1 else ""

    def view(self) -> PageView:
        wrong = "there is a flight of that name already" if self.name and self._taken(self.name) else ""
        if self.name and not re.fullmatch(r"[\w.\- ]+", self.name):
            wrong = "letters, digits, - and _ only"
        return home.hear_view(self.name, self.files, self.configurations, self.chosen, self.planned, wrong)

    def _taken(self, name: str) -> bool:
        return (self.folder / "flights" / name).exists()

    def typed(self, name: str, text: str) -> None:
        self.name = text.strip()
        self.shell.changed()

    def go(self) -> None:
        fitted = ["--configuration", self.chosen] if self.chosen and self.name not in self.planned else []
        words = ["hear", *map(str, self.files), "--into", str(self.folder / "flights" / self.name), *fitted]
        self.run(f"Hear {self.name}", words)


class SyncPage(WithFiles):
    """Camera files onto a flight's clock."""

    suffixes = home.VIDEO

    def __init__(self, flight: Path, files: Sequence[Path]):
        super().__init__(files)
        self.flight = flight

    def view(self) -> PageView:
        return home.sync_view(self.flight.name, self.files)

    def go(self) -> None:
        self.run(f"Sync {self.flight.name}", ["sync", str(self.flight), *map(str, self.files)])


class ReducePage(WithFiles):
    """Stall speeds and comparisons, with traces joined."""

    suffixes = home.TRACE

    def __init__(self, folder: Path, flights: Sequence[str], files: Sequence[Path]):
        super().__init__(files)
        self.folder, self.flights = folder, flights
        self.chosen = flights[0] if len(flights) == 1 else ""

    def view(self) -> PageView:
        return home.reduce_view(self.flights, self.chosen, self.files)

    def go(self) -> None:
        traces = [word for path in self.files for word in ("--trace", f"{self.chosen}={path}")]
        self.run("Reduce", ["reduce", str(self.folder), *traces])


class FilesPage(Page):
    """The file dialog: by touch, by keys, or a path typed in."""

    last_folder: Path | None = None

    def __init__(
        self, title: str, then: Callable[[list[Path]], None], suffixes: tuple[str, ...] = (), want_folder: bool = False
    ):
        self.title, self.then, self.suffixes, self.want_folder = title, then, suffixes, want_folder
        self.folder = FilesPage.last_folder or Path.home()
        self.chosen: list[Path] = []
        self.trouble = ""

    def view(self) -> PageView:
        return home.files_view(self._listing(), self.chosen, self.want_folder, self.title)

    def _listing(self) -> Listing:
        try:
            found = sorted(self.folder.iterdir(), key=lambda path: path.name.lower())
        except OSError as err:
            return Listing(folder=self.folder, trouble=err.strerror or str(err), places=places())
        visible = [path for path in found if not path.name.startswith(".")]
        return Listing(
            folder=self.folder,
            folders=tuple(path for path in visible if path.is_dir()),
            files=()
            if self.want_folder
            else tuple(path for path in visible if path.suffix.lower() in self.suffixes and path.is_file()),
            places=tuple((name, path) for name, path in places() if path != self.folder),
            trouble=self.trouble,
        )

    def typed(self, name: str, text: str) -> None:
        path = Path(text.strip()).expanduser()
        self.trouble = ""
        if path.is_dir():
            self.folder = path
        elif path.is_file() and not self.want_folder:
            self.folder, self.chosen = path.parent, [*self.chosen, path]
        else:
            self.trouble = "there is no such file or folder"
        self.shell.changed()

    def dropped(self, path: Path) -> None:
        self.typed("folder", str(path))

    def press(self, key: str) -> None:
        kind, _, rest = key.partition(":")
        self.trouble = ""
        if kind == "go":
            self.folder = Path(rest)
        elif kind == "pick":
            path = Path(rest)
            self.chosen = [one for one in self.chosen if one != path] if path in self.chosen else [*self.chosen, path]
        elif kind == "take":
            FilesPage.last_folder = self.folder
            self.shell.back()
            self.then([self.folder] if self.want_folder else self.chosen)
            return
        self.shell.changed()


def places() -> tuple[tuple[str, Path], ...]:
    """Folders to jump to: home, drives and sticks."""
    found = [("Home", Path.home())]
    if sys.platform == "win32":
        found += [(f"{letter}:", Path(f"{letter}:/")) for letter in "CDEFGH" if Path(f"{letter}:/").is_dir()]
        return tuple(found)
    user = os.environ.get("USER", "")
    for root in (Path("/media") / user, Path("/run/media") / user, Path("/Volumes")):
        if root.is_dir() and root.name:
            found += [(path.name, path) for path in sorted(root.iterdir()) if path.is_dir()]
    return tuple(found)


class JobPage(Page):
    """A verb at work, and what can be done with its result."""

    def __init__(self, title: str, words: Sequence[str], after: dict[TileView, Callable[[], None]] | None = None):
        from logger_app.ui.job import Job

        self.job = Job(title, words)
        self.after = after or {}
        self.begun = False

    def view(self) -> PageView:
        return home.job_view(self.job.state, tuple(self.after))

    def opened(self) -> None:
        if not self.begun:
            self.begun = True
            self.job.start()

    def tick(self) -> bool:
        return self.job.changed()

    def press(self, key: str) -> None:
        if key == "cancel":
            self.job.cancel()
        elif key == "done":
            self.shell.back()
        else:
            then = next(act for tile, act in self.after.items() if tile.key == key)
            self.shell.back()
            then()
        self.shell.changed()

    def closed(self) -> None:
        self.job.close()
