"""The plan screen's widgets: draw a `PlanView`, send intents. Decides nothing (see `presenters.plan`).

Main names: `PlanScreen`, `PlanScreenApp`.
"""

from __future__ import annotations

from pathlib import Path

from kivy.core.window import Window
from kivy.lang import Builder
from kivy.properties import (
    BooleanProperty,
    ColorProperty,
    ListProperty,
    NumericProperty,
    ObjectProperty,
    StringProperty,
)
from kivy.uix.behaviors import ButtonBehavior
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.button import Button
from kivy.uix.gridlayout import GridLayout
from kivy.uix.label import Label

from logger_app.ui.presenters import plan as presenter
from logger_app.ui.screens.file_app import FileApp
from logger_app.ui.theme import CURRENT
from logger_app.ui.widgets import drawing_view  # noqa: F401 the kv names it
from logger_app.ui.widgets.wrapped_text import WrappedText
from logger_app.workflows.planning import read_text

Builder.load_file(str(Path(__file__).with_suffix(".kv")))

# The role of the palette for each status; each has its word in the cell too.
_BACK = {"none": "button", "part": "again", "done": "band"}
_FILL = {"none": "line", "part": "text", "done": "main"}
_STATE_WORDS = {"wrong": ("WRONG  ", "text"), "advice": ("ADVICE  ", "text"), "fine": ("", "text")}


class PlanButton(Button):
    """A button that asks for something."""

    active = BooleanProperty(False)


class PlanText(WrappedText):
    """Larger: the plan is read at arm's length."""


class RowLabel(Label):
    """What a row of the matrix is."""


class CellButton(ButtonBehavior, BoxLayout):
    """One point of the matrix."""

    title = StringProperty("")
    count = StringProperty("")
    words = StringProperty("")
    share = NumericProperty(0.0)
    back = ColorProperty((0.9, 0.9, 0.9, 1))
    fill = ColorProperty((0.5, 0.5, 0.5, 1))
    selected = BooleanProperty(False)


class FieldRow(BoxLayout):
    """A value that can be typed over; sends it when the box is left or Enter is pressed."""

    label = StringProperty("")
    value = StringProperty("")
    hint = StringProperty("")
    lines = BooleanProperty(False)
    where = ObjectProperty(None)
    send = ObjectProperty(None)

    def done(self) -> None:
        typed = self.ids.box.text
        if self.send and typed != self.value:
            self.send(presenter.SetValue(self.where.place, self.where.key, typed))

    def show(self, field: presenter.Field) -> None:
        """Another value for the same key; what is being typed is left alone."""
        self.where, self.value, self.hint = field, field.value, field.hint
        if not self.ids.box.focus:
            self.ids.box.text = field.value


class PlanScreen(BoxLayout):
    """The whole screen; `send` is where intents go."""

    send = ObjectProperty(None)
    shown = ListProperty([])

    def render(self, view: presenter.PlanView) -> None:
        """Draw a view."""
        ids = self.ids
        ids.title.text, ids.state_words.text = view.title, view.state_words
        ids.undo.disabled, ids.save.disabled = not view.can_undo, not view.can_save
        ids.heading.text, ids.next_flight.text = view.heading, view.next_flight
        ids.drawing.drawing = view.drawing
        self._buttons(ids.tabs, view.tabs, 280)
        self._buttons(ids.cards, view.cards, 110)
        self._matrix(view)
        self._detail(view)
        self._checks(view)

    def _buttons(self, box, actions, width: float) -> None:
        box.clear_widgets()
        for action in actions:
            box.add_widget(self._button(action, size_hint_x=None, width=f"{width}dp"))

    def _button(self, action: presenter.Action, **more) -> PlanButton:
        button = PlanButton(text=action.label, active=action.active, **more)
        button.bind(on_release=lambda *_: self.send(action.intent))
        return button

    def _matrix(self, view: presenter.PlanView) -> None:
        grid: GridLayout = self.ids.matrix
        grid.clear_widgets()
        grid.cols = len(view.columns) + 1
        for text in ("", *view.columns) if view.columns else ():
            grid.add_widget(PlanText(text=text, bold=True, halign="center"))
        for row in view.rows:
            grid.add_widget(RowLabel(text=row.label))
            for cells, add in zip(row.cells, row.adds, strict=True):
                grid.add_widget(self._cell_box(cells, add))

    def _cell_box(self, cells, add) -> BoxLayout:
        box = BoxLayout(size_hint_y=None, height="86dp", spacing="3dp")
        for cell in cells:
            button = CellButton(
                title=cell.title,
                count=cell.count,
                words=cell.words,
                share=cell.share,
                back=getattr(CURRENT, _BACK[cell.status]),
                fill=getattr(CURRENT, _FILL[cell.status]),
                selected=cell.selected,
            )
            button.bind(on_release=lambda *_, place=cell.place: self.send(presenter.Select(place)))
            box.add_widget(button)
        if add is not None:
            box.add_widget(self._button(presenter.Action(label="+", intent=add), pos_hint={"center_y": 0.5}))
        return box

    def _detail(self, view: presenter.PlanView) -> None:
        """The fields stay while they are the same ones, so that typing on is not interrupted."""
        box = self.ids.detail
        same = [("field", f.place, f.key) for f in view.fields] + [("do", a.label) for a in view.actions]
        same += [("line", line) for line in view.lines]
        if same == self.shown and view.fields:
            rows = [child for child in reversed(box.children) if isinstance(child, FieldRow)]
            for row, field in zip(rows, view.fields, strict=True):
                row.show(field)
            return
        self.shown = same
        box.clear_widgets()
        for line in view.lines:
            box.add_widget(PlanText(text=line))
        buttons = GridLayout(cols=2, spacing="4dp", size_hint_y=None)
        buttons.bind(minimum_height=buttons.setter("height"))
        for action in view.actions:
            buttons.add_widget(self._button(action))
        box.add_widget(buttons)
        for field in view.fields:
            row = FieldRow(label=field.label, value=field.value, hint=field.hint, lines=field.lines, where=field)
            row.send = self.send
            box.add_widget(row)

    def _checks(self, view: presenter.PlanView) -> None:
        box = self.ids.checks
        box.clear_widgets()
        for kind, sentence in view.checks:
            mark, role = _STATE_WORDS[kind]
            box.add_widget(PlanText(text=mark + sentence, color=getattr(CURRENT, role), bold=kind == "wrong"))


class PlanScreenApp(FileApp):
    """The plan of one campaign file. (`PlanApp` would load plan.kv a second time.)"""

    presenter = presenter

    def __init__(self, file: Path, runs=(), flights=(), trouble: str = "", **more):
        message = f"Flights could not be read: {trouble}" if trouble else ""
        super().__init__(Path(file), presenter.start(read_text(Path(file)), runs, flights, message), **more)
        self.title = f"Kneecall plan: {file}"

    def build(self) -> PlanScreen:
        screen = PlanScreen(send=self.send)
        screen.ids.undo.bind(on_release=lambda *_: self.send(presenter.Undo()))
        screen.ids.save.bind(on_release=lambda *_: self.save())
        screen.render(presenter.view(self.state))
        Window.bind(on_request_close=self.asked_to_close)
        return screen

    def on_stop(self) -> None:
        Window.unbind(on_request_close=self.asked_to_close)
