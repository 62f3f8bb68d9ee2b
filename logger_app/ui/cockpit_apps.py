"""The windows of the cockpit: preflight and flight. Kivy is prepared before this module is imported (`ui.app.prepare_kivy`).

The classes stand at the top of a module because Kivy keeps every class of its kind for ever, and with it what a class made in
a function could see: a recogniser of 50 MB each time.
"""

from __future__ import annotations

from collections.abc import Callable

from kivy.app import App
from kivy.clock import Clock
from kivy.core.window import Window
from kivy.uix.floatlayout import FloatLayout

from logger_app.ui.bridge import Bridge
from logger_app.ui.presenters.fly import FlyContext
from logger_app.ui.presenters.preflight import Do
from logger_app.ui.screens.fly import FlyScreen
from logger_app.ui.screens.preflight import PreflightScreen
from logger_app.ui.theme import Display
from logger_app.workflows.flight_session import Phase


class FlyApp(App):
    """One window, one session."""

    title = "Kneecall"
    kv_file = ""

    def __init__(self, session, display: Display, context: FlyContext, acknowledge: Callable, end_with_recording: bool):
        super().__init__()
        self.end_with_recording = end_with_recording
        self.session, self.display = session, display
        self.context, self.acknowledge = context, acknowledge

    def build(self):
        screen = FlyScreen(self.display, self.session.touch, lambda: self.stop(), self.context, self.acknowledge)
        over = self.stop if self.end_with_recording else lambda: None
        self.bridge = Bridge(self.session, screen.show, screen.cue, over=over)
        Window.bind(on_key_down=screen.on_key)
        return screen

    def on_start(self):
        self.session.start()
        self.bridge.look()
        self.bridge.start()

    def on_stop(self):
        self.bridge.stop()
        Window.unbind(on_key_down=self.root.on_key)

    @property
    def landed(self) -> bool:
        """Whether the flight was ended on the screen."""
        return self.session.snapshot().state.phase is Phase.LANDED


class PreflightApp(App):
    """One window: preflight first, then the flight in the same one."""

    title = "Kneecall"
    kv_file = ""

    def __init__(self, workflow, context_of: Callable):
        super().__init__()
        self.workflow, self.context_of = workflow, context_of
        self.session = None
        self.bridge: Bridge | None = None
        self.began: Callable[[], object] = lambda: None  # the app hides its bar when the screen becomes the flight's

    def left(self):
        """When the window is left: the flight's last rows."""
        if self.session:
            self.session.stop(landed=self.session.snapshot().state.phase is Phase.LANDED)

    def build(self):
        self.screen = PreflightScreen(self.workflow.state, send=self.do)
        root = FloatLayout()
        root.add_widget(self.screen)
        return root

    def on_start(self):
        self.workflow.look()
        # Drained on Kivy's own clock: the desk's thread never touches a widget.
        self.looking = Clock.schedule_interval(self.look, 0.1)

    def look(self, *_):
        """Draw what is new."""
        if self.workflow.changed():
            self.screen.show(self.workflow.state)

    def do(self, do: Do):
        """A touch."""
        if do is Do.FLY and self.workflow.state.acknowledged:
            self.fly()
            return
        # The briefing is read once before it is flown.
        self.workflow.do(Do.CAUTIONS if do is Do.FLY else do)
        self.look()

    def fly(self):
        """The flight in the same window."""
        self.session = self.workflow.make_session()
        if self.session is None:  # refused, and said on the page of checks
            self.look()
            return
        self.looking.cancel()
        self.began()
        screen = FlyScreen(
            self.workflow.state.display, self.session.touch, lambda: self.stop(), *self.context_of(self.session)
        )
        Window.bind(on_key_down=screen.on_key)
        self.keys = screen.on_key
        self.root.clear_widgets()
        self.root.add_widget(screen)
        self.session.start()
        self.bridge = Bridge(self.session, screen.show, screen.cue)
        self.bridge.look()
        self.bridge.start()

    def on_stop(self):
        self.looking.cancel()  # else the clock would keep this screen and its recogniser
        if self.bridge:
            self.bridge.stop()
            Window.unbind(on_key_down=self.keys)
        self.workflow.close()
