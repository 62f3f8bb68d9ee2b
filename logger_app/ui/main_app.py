"""The app: one window with the pages of `ui.pages`, the program's screens opened in it, and a way back.

Kivy is prepared before this module is imported (`ui.app.prepare_kivy`). Main name: `MainApp`.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue

from kivy.app import App
from kivy.clock import Clock
from kivy.core.window import Window
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.floatlayout import FloatLayout
from kivy.uix.scrollview import ScrollView

from logger_app.errors import LoggerError
from logger_app.ui.display_io import load_display
from logger_app.ui.open_io import open_path
from logger_app.ui.pages import CampaignPage, HomePage, Page
from logger_app.ui.presenters.home import PageView
from logger_app.ui.screens.home import HomeScreen, HomeTile
from logger_app.ui.theme import use_palette

ESCAPE_KEY, LEFT_KEY = 27, 276
TICK_S = 0.1
# Screens made for the desk are scrolled sideways where the window is narrower than this [px].
DESK_WIDTH = {"plan": 700, "review": 1000, "compare": 1000, "history": 320}
DESK_HEIGHT = 640


@dataclass(frozen=True, slots=True, kw_only=True)
class Screens:
    """What opens the program's screens: each `load` runs in a thread, its result goes to `make`, which gives a Kivy app."""

    plan: Callable
    preflight: Callable
    fly: Callable
    review: Callable
    compare: Callable
    history: Callable


class MainApp(App):
    """The window. Holds the stack of pages; the top one is drawn, or a screen over it."""

    title = "Kneecall"
    kv_file = ""

    def __init__(self, screens: Screens, campaign: Path | None = None):
        super().__init__()
        self.icon = str(Path(__file__).with_name("icon") / "kneecall.png")
        self.screens = screens
        self.stack: list[Page] = []
        self.campaign = campaign
        self.hosted: App | None = None
        self.bar: BoxLayout | None = None
        self.opening = ""
        self._done: SimpleQueue = SimpleQueue()

    def build(self):
        self.display = load_display()
        self.base = FloatLayout()
        self._make_page()
        Window.bind(on_key_down=self.on_key, on_drop_file=self.on_drop)
        return self.base

    def _make_page(self) -> None:
        Window.clearcolor = self.display.palette.ground
        use_palette(self.display.palette)
        self.page = HomeScreen(self.display, self.press, self.typed)
        self.base.add_widget(self.page)

    def on_start(self) -> None:
        Clock.schedule_interval(self.tick, TICK_S)
        home = HomePage()
        self.open(home)
        if self.campaign:
            home.enter(self.campaign)

    def on_stop(self) -> None:
        app, self.hosted = self.hosted, None
        if app is not None:
            app.on_stop()
            getattr(app, "left", lambda: None)()  # a flight writes its last rows: waited for
        for page in self.stack:
            page.closed()
        Window.unbind(on_key_down=self.on_key, on_drop_file=self.on_drop)

    # ---- what pages ask for (`pages.Shell`) ----------------------------------------------------------

    def open(self, page: Page) -> None:
        """Show a page above this one."""
        page.shell = self
        self.stack.append(page)
        page.opened()
        self.changed()

    def back(self) -> None:
        """Back to the page below; out of the program from the first one."""
        if len(self.stack) < 2:
            self.stop()
            return
        self.stack.pop().closed()
        self.stack[-1].opened()
        self.changed()

    def changed(self) -> None:
        """The page on top must be drawn again."""
        if self.stack and self.hosted is None:
            self.page.draw(
                self.stack[-1].view()
                if not self.opening
                else PageView(title=self.opening, words="Opening ...", back="")
            )

    def work(self, job: Callable[[], object], done: Callable[[object, str], None]) -> None:
        """In a thread, which ends with the job; `done` is called from the window's clock."""

        def run() -> None:
            try:
                result, trouble = job(), ""
            except (LoggerError, OSError) as err:
                result, trouble = None, str(err)
            self._done.put(lambda: done(result, trouble))

        threading.Thread(target=run, name="work", daemon=True).start()

    def show(self, path: Path) -> str:
        """Open with the system's program."""
        return open_path(path)

    def screen(self, name: str, folder: Path, **more) -> None:
        """One of the program's screens in this window."""
        self.opening = f"{name.capitalize()} {folder.name}"
        self.changed()
        load, make = getattr(self.screens, name)(folder, **more)

        def loaded(result: object, trouble: str) -> None:
            self.opening = ""
            if trouble:
                page = self.stack[-1]
                if isinstance(page, CampaignPage):
                    page.message = trouble
                self.changed()
            else:
                self._host(name, make(result))

        self.work(load, loaded)

    # ---- screens ----------------------------------------------------------------------------------------

    def _host(self, name: str, app: App) -> None:
        """Another app's root under a bar with the way back; the flight has the whole window and ends itself."""
        App._running_app = self
        app.stop = self._leave_screen
        root = app.build()
        app.root = root
        # Bound last, asked first: the way back goes before the screen's own keys.
        Window.unbind(on_key_down=self.on_key)
        Window.bind(on_key_down=self.on_key)
        self.hosted = app
        self.base.clear_widgets()
        self.bar = None
        if name == "fly":
            self.base.add_widget(root)
        else:
            box = BoxLayout(orientation="vertical")
            title = name.capitalize() if name in ("preflight", "plan") else app.title.removeprefix("Kneecall: ")
            self.bar = _bar(self.page, title, self.leave)
            box.add_widget(self.bar)
            box.add_widget(root if name == "preflight" else _reachable(root, DESK_WIDTH[name]))
            self.base.add_widget(box)
        if name == "preflight":
            app.began = lambda: self._flight_began(box)
        app.on_start()

    def _flight_began(self, box: BoxLayout) -> None:
        """The flight has the whole window."""
        if self.bar is not None:
            box.remove_widget(self.bar)
            self.bar = None

    def leave(self) -> None:
        """Back from a screen, unless it asks to stay (changed and not saved)."""
        stay = getattr(self.hosted, "asked_to_close", None)
        if self.hosted is not None and not (stay and stay()):
            self._leave_screen()

    def _leave_screen(self, *_) -> None:
        app, self.hosted = self.hosted, None
        if app is None:
            return
        app.on_stop()
        after = getattr(app, "left", None)  # a flight writes its last rows here
        self.base.clear_widgets()
        App._running_app = self
        # A screen and its recogniser refer to each other: without this they stay for long, 50 MB each time.
        Clock.schedule_once(lambda _: gc.collect(), 1.0)
        self.display = load_display()
        self._make_page()
        if after:
            self.opening = "Flight"
            self.work(after, self._flight_kept)
        else:
            self.stack[-1].opened()
        self.changed()

    def _flight_kept(self, _result: object, trouble: str) -> None:
        self.opening = ""
        self.stack[-1].opened()
        if trouble and isinstance(self.stack[-1], CampaignPage):
            self.stack[-1].message = trouble
        self.changed()

    # ---- what comes in ----------------------------------------------------------------------------------

    def press(self, key: str) -> None:
        """A tile."""
        if self.opening:
            return
        if key == "back":
            self.back()
        else:
            self.stack[-1].press(key)

    def typed(self, name: str, text: str) -> None:
        """A field."""
        self.stack[-1].typed(name, text)

    def on_drop(self, _window, name: bytes, *_) -> None:
        """A file dropped onto the window."""
        if self.hosted is None and not self.opening:
            self.stack[-1].dropped(Path(name.decode("utf-8", "surrogateescape")))

    def on_key(self, _window, code, _scancode=None, _text=None, modifiers=()) -> bool:
        """Escape and Alt with Left go back; a screen has Alt with Left only, Escape is its own."""
        if self.hosted is not None:
            if code == LEFT_KEY and "alt" in modifiers and self.bar is not None:
                self.leave()
                return True
            return False
        if code == ESCAPE_KEY or (code == LEFT_KEY and "alt" in modifiers):
            if len(self.stack) > 1 and self.stack[-1].view().back:
                self.back()
            return True
        return False

    def tick(self, *_) -> None:
        """What threads have done, and what jobs say."""
        while True:
            try:
                self._done.get_nowait()()
            except Empty:
                break
        if self.stack and self.stack[-1].tick():
            self.changed()


def _bar(page: HomeScreen, title: str, leave: Callable[[], None]) -> BoxLayout:
    """The strip above a hosted screen: the way back, and what it is."""
    from logger_app.ui.widgets.fit_label import FitLabel

    bar = BoxLayout(size_hint_y=None, height=page.low, spacing=page.gap, padding=(page.gap, 2))
    back = HomeTile(key="back", title="Back", palette=page.palette, text_px=page.text_px)
    back.fill, back.ink = page.palette.button, page.palette.button_on
    back.size_hint_x, back.width = None, 2.6 * page.low
    back.is_focusable = False  # the keys are the screen's own; Alt with Left goes back
    back.bind(on_release=lambda *_: leave())
    label = FitLabel(
        text=f"{title}    (Alt+Left: back)",
        color=page.palette.text,
        largest=0.8 * page.text_px,
        least=12,
        halign="left",
        valign="middle",
    )
    bar.add_widget(back)
    bar.add_widget(label)
    return bar


def _reachable(root, width: int):
    """A screen for the desk in a window of any size: scrolled where it is too small."""
    scroll = ScrollView(bar_width=12, scroll_type=["bars"])
    root.size_hint = (None, None)

    def fit(*_):
        root.size = max(scroll.width, width), max(scroll.height, DESK_HEIGHT)

    scroll.bind(size=fit)
    scroll.add_widget(root)
    return scroll
