"""The widgets of the line of a design: draw a `HistoryView`, send intents. Decides nothing (see `presenters.history`).

Main names: `HistoryScreen`, `DesignHistoryApp`.
"""

from __future__ import annotations

from pathlib import Path

from kivy.clock import Clock
from kivy.core.window import Window
from kivy.lang import Builder
from kivy.metrics import dp, sp
from kivy.properties import BooleanProperty, ObjectProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout

from logger_app.ui.presenters import history as presenter
from logger_app.ui.screens.file_app import FileApp
from logger_app.ui.theme import CURRENT
from logger_app.ui.widgets import fit_label  # noqa: F401 the kv names it
from logger_app.ui.widgets.drawing_view import DrawingView
from logger_app.ui.widgets.wrapped_text import WrappedText
from logger_app.workflows.history import History

LEFT_KEY, RIGHT_KEY, UP_KEY, DOWN_KEY, S_KEY = 276, 275, 273, 274, 115
TEXT_SP = 15
STEP = 0.15  # of what can be scrolled, for an arrow up or down


class HistoryPair(BoxLayout):
    """What, and how it is."""

    label = StringProperty("")
    words = StringProperty("")
    strong = BooleanProperty(False)


class HistoryWords(BoxLayout):
    """Words of the team that can be typed over; sent when the box is left."""

    label = StringProperty("")
    words = StringProperty("")
    hint = StringProperty("")
    send = ObjectProperty(None, allownone=True)

    def done(self) -> None:
        if self.send and self.ids.box.text != self.words:
            self.send(self.ids.box.text)


class GenerationColumn(BoxLayout):
    """One generation."""

    chosen = BooleanProperty(False)


Builder.load_file(str(Path(__file__).with_suffix(".kv")))


class HistoryScreen(BoxLayout):
    """The whole line; `send` is where intents go, `save` writes."""

    title = StringProperty("")
    message = StringProperty("")
    key = StringProperty("")
    trouble = BooleanProperty(False)
    send = ObjectProperty(None)
    save = ObjectProperty(None)

    def __init__(self, **kw):
        super().__init__(**kw)
        self.shown: presenter.HistoryView | None = None
        self.columns: list[GenerationColumn] = []
        self.ids.scroll.bind(size=lambda *_: self._arrange())

    def choose(self, by: int) -> None:
        """Another generation."""
        self.send(presenter.Choose(by))

    def render(self, view: presenter.HistoryView) -> None:
        """Draw a view; boxes that are typed into stay."""
        before, self.shown = self.shown, view
        self.title, self.message, self.key, self.trouble = view.title, view.message, view.key, view.trouble
        self.ids.save.disabled = not view.can_save
        if before is None:
            for one in view.generations:
                column = self._column(one)
                self.columns.append(column)
                self.ids.line.add_widget(column)
            for sentence in view.evidence:
                self.ids.known.add_widget(WrappedText(text=sentence))
            self._arrange()
        for column, one in zip(self.columns, view.generations):
            moved = one.chosen and not column.chosen
            column.chosen = one.chosen
            column.note.words, column.question.words = one.note, one.question
            if moved and before is not None:
                self.ids.scroll.scroll_to(column, padding=dp(4), animate=False)

    def _column(self, one: presenter.GenerationView) -> GenerationColumn:
        column = GenerationColumn()
        column.add_widget(WrappedText(text=one.title, bold=True, font_size=sp(17)))
        column.add_widget(WrappedText(text=one.parent, color=CURRENT.quiet))
        column.add_widget(DrawingView(drawing=one.drawing, send=lambda words: self.send(presenter.Touched(words))))
        column.add_widget(WrappedText(text=one.caption))
        for label, words in one.glance:
            column.add_widget(HistoryPair(label=label, words=words, strong=True))
        if one.empty:
            column.add_widget(WrappedText(text=one.empty, color=CURRENT.quiet))
        for point in one.points:
            column.add_widget(WrappedText(text=point.head, bold=True))
            for label, text, small in point.lines:
                column.add_widget(HistoryPair(label=label, words=f"{text}  ({small})" if small else text))
        last = ""
        for label, words in one.facts:
            column.add_widget(HistoryPair(label="" if label == last else label, words=words))
            last = label
        column.note = self._words(one.id, "note", "the team's note", one.note)
        column.question = self._words(one.id, "question", "the question for the next", one.question)
        column.add_widget(column.note)
        column.add_widget(column.question)
        return column

    def _words(self, configuration: str, key: str, label: str, words: str) -> HistoryWords:
        box = HistoryWords(label=label, words=words, hint="nothing written yet")
        box.send = lambda typed: self.send(presenter.Typed(configuration, key, typed))
        return box

    def _arrange(self) -> None:
        """To the right where two generations fit side by side, else downwards."""
        room = self.ids.scroll.width - dp(12)
        across, wide = presenter.columns(room, sp(TEXT_SP), len(self.columns))
        self.ids.line.orientation = "horizontal" if across else "vertical"
        for column in self.columns:
            column.width = wide - (dp(6) if across else 0)
        Clock.schedule_once(lambda _: self._to_top(), 0)

    def _to_top(self) -> None:
        self.ids.scroll.scroll_y = 1.0

    def on_key(self, _window, code, _scancode=None, _text=None, modifiers=()) -> bool:
        """Arrows choose and scroll; Ctrl with S saves. While words are typed the keys are theirs."""
        if code == S_KEY and "ctrl" in modifiers:
            for column in self.columns:
                column.note.done()
                column.question.done()
            self.save()
            return True
        if modifiers or any(box.ids.box.focus for column in self.columns for box in (column.note, column.question)):
            return False
        if code in (LEFT_KEY, RIGHT_KEY):
            self.choose(-1 if code == LEFT_KEY else 1)
            return True
        if code in (UP_KEY, DOWN_KEY):
            scroll = self.ids.scroll
            scroll.scroll_y = min(1.0, max(0.0, scroll.scroll_y + (STEP if code == UP_KEY else -STEP)))
            return True
        return False


class DesignHistoryApp(FileApp):
    """The line of one campaign. (`HistoryApp` would load history.kv a second time.)"""

    presenter = presenter

    def __init__(self, history: History):
        super().__init__(history.file, presenter.start(history))
        self.title = f"Kneecall: {history.name}, the line of the design"

    def build(self) -> HistoryScreen:
        screen = HistoryScreen(send=self.send, save=self.save)
        screen.render(presenter.view(self.state))
        Window.bind(on_key_down=screen.on_key, on_request_close=self.asked_to_close)
        return screen

    def on_stop(self) -> None:
        if self.root:
            Window.unbind(on_key_down=self.root.on_key, on_request_close=self.asked_to_close)
