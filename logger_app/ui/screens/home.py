"""Draws a `PageView`: header, words, bar, fields, tiles, lines, actions. Decides nothing (see `ui.pages`).

Touch and keys alike: Tab and the arrows move, Enter presses, Escape goes back.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kivy.clock import Clock
from kivy.lang import Builder
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty, ObjectProperty, StringProperty
from kivy.uix.behaviors import ButtonBehavior, FocusBehavior
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.gridlayout import GridLayout
from kivy.uix.label import Label
from kivy.uix.textinput import TextInput
from kivy.uix.widget import Widget

from logger_app.ui.presenters.home import FieldView, PageView, TileView
from logger_app.ui.theme import DAY, Display
from logger_app.ui.widgets import fit_label, sign  # noqa: F401 the kv names them
from logger_app.ui.widgets.screen_keys import ScreenKeys

TILE_MM, LOW_MM, GAP_MM = 20.0, 12.0, 2.0
WIDE_TILE_MM = 62.0
NEXT_KEYS, PREVIOUS_KEYS, PRESS_KEYS = ("down", "right"), ("up", "left"), ("enter", "numpadenter", "spacebar")


def _move_focus(widget, move: str) -> bool:
    """To the neighbour that `move`, a method of Kivy's focus behaviour, gives; the key was meant for that."""
    other = getattr(widget, move)()
    if other is not None:
        widget.focus, other.focus = False, True
    return True


class HomeTile(FocusBehavior, ButtonBehavior, BoxLayout):
    """Something to choose."""

    key = StringProperty("")
    title = StringProperty("")
    state_words = StringProperty("")
    sign = StringProperty("")
    ready = BooleanProperty(True)
    listed = BooleanProperty(False)
    fill = ColorProperty((0.8, 0.8, 0.8, 1))
    ink = ColorProperty((0, 0, 0, 1))
    palette = ObjectProperty(DAY)
    text_px = NumericProperty(20)

    def keyboard_on_key_down(self, window, keycode, text, modifiers):
        """Enter presses, arrows move on."""
        if keycode[1] in PRESS_KEYS:
            if self.ready:
                self.dispatch("on_release")
            return True
        for names, move in ((NEXT_KEYS, "get_focus_next"), (PREVIOUS_KEYS, "get_focus_previous")):
            if keycode[1] in names:
                return _move_focus(self, move)
        return super().keyboard_on_key_down(window, keycode, text, modifiers)


class HomeInput(TextInput):
    """A text box; Down and Up go to the next one. `by_touch`: it was chosen with a finger or a pointer."""

    key = StringProperty("")
    by_touch = BooleanProperty(False)

    def on_touch_down(self, touch):
        """Keys on the screen come with a touch, not with Tab."""
        self.by_touch = self.collide_point(*touch.pos)
        return super().on_touch_down(touch)

    def keyboard_on_key_down(self, window, keycode, text, modifiers):
        """Arrows move on, as between tiles."""
        move = {"down": "get_focus_next", "up": "get_focus_previous"}.get(keycode[1])
        if move:
            return _move_focus(self, move)
        return super().keyboard_on_key_down(window, keycode, text, modifiers)


class HomeField(BoxLayout):
    """A question, its answer, and what is wrong with it."""

    key = StringProperty("")
    label = StringProperty("")
    hint = StringProperty("")
    fault = StringProperty("")
    palette = ObjectProperty(DAY)
    text_px = NumericProperty(20)


class HomeText(Label):
    """Text that wraps and is as tall as it must be."""


class HomeBar(Widget):
    """How far a job is."""

    fraction = NumericProperty(0)
    colour = ColorProperty((0, 0, 0, 1))
    line_colour = ColorProperty((0.5, 0.5, 0.5, 1))


Builder.load_file(str(Path(__file__).with_suffix(".kv")))


class HomeScreen(BoxLayout):
    """One page. `press(key)` and `typed(name, text)` are called for touches and keys; "back" is the header's button."""

    palette = ObjectProperty(DAY)
    text_px = NumericProperty(24)
    gap = NumericProperty(12)
    low = NumericProperty(70)

    def __init__(self, display: Display, press: Callable[[str], None], typed: Callable[[str, str], None], **kwargs):
        self.palette = display.palette
        self.text_px, self.gap, self.low = display.font_px(16.0), display.px(GAP_MM), display.px(LOW_MM)
        super().__init__(**kwargs)
        self.display, self.press, self.typed = display, press, typed
        self.shown: PageView | None = None
        self.tiles: dict[str, HomeTile] = {}
        self.fields: dict[str, HomeField] = {}
        self.keys: ScreenKeys | None = None
        self.box: HomeInput | None = None  # that the keys on the screen type into
        self.bind(size=lambda *_: self._arrange())

    def draw(self, view: PageView) -> None:
        """Show a page; widgets stay while they are the same ones, so that typing and focus go on."""
        if view == self.shown:
            return
        same = self.shown is not None and _shape(view) == _shape(self.shown)
        self.shown = view
        self.ids.words.text, self.ids.words.bold = view.words, view.trouble
        self.ids.bar.height = 0.5 * self.text_px if view.fraction is not None else 0
        self.ids.bar.fraction = view.fraction or 0.0
        if not same:
            self._build(view)
        for tile in (*view.tiles, *view.actions):
            self._paint(self.tiles[tile.key], tile)
        for field in view.fields:
            self._fill(self.fields[field.name], field)
        self.title.text = view.title
        self.lines.text = "\n".join(view.lines)

    def _build(self, view: PageView) -> None:
        ids = self.ids
        for box in (ids.head, ids.body, ids.actions):
            box.clear_widgets()
        self.tiles, self.fields = {}, {}
        if view.back:
            self.tiles["back"] = self._tile(TileView(key="back", title=view.back))
            self.tiles["back"].size_hint_x, self.tiles["back"].width = None, 3 * self.low
            ids.head.add_widget(self.tiles["back"])
        self.title = fit_label.FitLabel(
            bold=True,
            color=self.palette.text,
            largest=1.3 * self.text_px,
            least=0.7 * self.text_px,
            halign="left",
            valign="middle",
        )
        ids.head.add_widget(self.title)
        for field in view.fields:
            self.fields[field.name] = self._field(field)
            ids.body.add_widget(self.fields[field.name])
        self.grid = GridLayout(size_hint_y=None, spacing=self.gap)
        self.grid.bind(minimum_height=self.grid.setter("height"))
        for tile in view.tiles:
            self.tiles[tile.key] = self._tile(tile)
            self.tiles[tile.key].listed = view.listed
            self.grid.add_widget(self.tiles[tile.key])
        ids.body.add_widget(self.grid)
        self.lines = HomeText(color=self.palette.text, font_size=0.68 * self.text_px, font_name="RobotoMono-Regular")
        ids.body.add_widget(self.lines)
        for action in view.actions:
            self.tiles[action.key] = self._tile(action)
            ids.actions.add_widget(self.tiles[action.key])
        ids.scroll.scroll_y = 1.0
        self._arrange()
        # The keyboard begins at the first field or the emphasised tile.
        Clock.schedule_once(lambda _: self.focus_first(), 0)

    def focus_first(self) -> None:
        """Give the keyboard to the first field, else to the tile that stands out."""
        if self.shown is None or any(tile.focus for tile in self.tiles.values()):
            return
        if self.fields and not self.shown.listed:
            next(iter(self.fields.values())).ids.box.focus = True
            return
        tiles = (*self.shown.tiles, *self.shown.actions)
        key = next(
            (tile.key for tile in tiles if tile.role == "main" and tile.enabled), tiles[0].key if tiles else "back"
        )
        if key in self.tiles:
            self.tiles[key].focus = True

    def _arrange(self) -> None:
        if self.shown is None:
            return
        width = max(1.0, self.width - 2 * self.gap)
        columns = (
            1 if self.shown.listed else max(1, int((width + self.gap) // (self.display.px(WIDE_TILE_MM) + self.gap)))
        )
        self.grid.cols = columns
        tall = self.low if self.shown.listed else self.display.px(TILE_MM)
        for tile in self.grid.children:
            tile.size_hint_y, tile.height = None, tall
        count = max(1, len(self.shown.actions))
        fit = max(1, int((width + self.gap) // (self.display.px(40.0) + self.gap)))
        self.ids.actions.cols = min(count, fit)
        for tile in self.ids.actions.children:
            tile.size_hint_y, tile.height = None, self.low * 1.15

    def _tile(self, shown: TileView) -> HomeTile:
        tile = HomeTile(key=shown.key, palette=self.palette, text_px=self.text_px)
        tile.bind(on_release=lambda pressed: self.press(pressed.key) if pressed.ready else None, focus=self._focused)
        self._paint(tile, shown)
        return tile

    def _paint(self, tile: HomeTile, shown: TileView) -> None:
        tile.title, tile.state_words, tile.sign, tile.ready = shown.title, shown.state, shown.sign, shown.enabled
        tile.fill = getattr(self.palette, shown.role)
        tile.ink = getattr(self.palette, f"{shown.role}_on") if shown.enabled else self.palette.quiet
        tile.is_focusable = shown.enabled

    def _field(self, shown: FieldView) -> HomeField:
        field = HomeField(key=shown.name, palette=self.palette, text_px=self.text_px)
        field.ids.box.text, field.ids.box.key = shown.text, shown.name
        field.ids.box.bind(on_text_validate=self._entered, focus=self._left)
        return field

    def _fill(self, field: HomeField, shown: FieldView) -> None:
        field.label, field.hint, field.fault = shown.label, shown.hint, shown.fault
        if not field.ids.box.focus and field.ids.box.text != shown.text:
            field.ids.box.text = shown.text

    def _entered(self, box) -> None:
        """Enter: the next field, or the action that stands out after the last one."""
        other = box.get_focus_next()
        if other is not None:
            box.focus, other.focus = False, True

    def _left(self, box, focus: bool) -> None:
        if focus:
            self._show_keys(box if box.by_touch else None)
            Clock.schedule_once(lambda _: self._focused(box, True), 0)
            return
        if self.box is box:
            Clock.schedule_once(self._hide_keys, 0)
        known = next((field.text for field in self.shown.fields if field.name == box.key), None) if self.shown else None
        if box.text != known:
            self.typed(box.key, box.text)

    def _show_keys(self, box: HomeInput | None) -> None:
        """Keys below the page for a box that was touched; the actions make room for them."""
        self.box = box
        if box is None:
            self._hide_keys()
        elif self.keys is None:
            self.keys = ScreenKeys(self.display, self._type_in, self._erase, self._go_on, self._leave_box)
            self.remove_widget(self.ids.actions.__self__)
            self.add_widget(self.keys)

    def _hide_keys(self, *_) -> None:
        if self.keys is not None and (self.box is None or not self.box.focus):
            self.remove_widget(self.keys)
            self.add_widget(self.ids.actions.__self__)
            self.keys = self.box = None

    def _type_in(self, character: str) -> None:
        if self.box is not None:
            self.box.insert_text(character)

    def _erase(self) -> None:
        if self.box is not None:
            self.box.do_backspace()

    def _leave_box(self) -> None:
        if self.box is not None:
            self.box.focus = False

    def _go_on(self) -> None:
        box = self.box
        other = box.get_focus_next() if box is not None else None
        if box is None or not isinstance(other, HomeInput):
            self._leave_box()
            return
        other.by_touch = True
        box.focus, other.focus = False, True

    def _focused(self, widget, focus: bool) -> None:
        if focus and _inside(widget, self.ids.body) and self.ids.body.height > self.ids.scroll.height:
            self.ids.scroll.scroll_to(widget, padding=self.gap, animate=False)


def _inside(widget: Widget | None, box: Widget) -> bool:
    while widget is not None and widget is not box:
        widget = widget.parent if widget.parent is not widget else None
    return widget is box


def _shape(view: PageView) -> tuple:
    """What makes new widgets necessary."""
    return (
        view.back,
        view.listed,
        tuple(field.name for field in view.fields),
        tuple(tile.key for tile in view.tiles),
        tuple(tile.key for tile in view.actions),
    )
