"""Builds the cockpit's windows and wires them to a session. Kivy is set up here, before it is imported."""

from __future__ import annotations

from collections.abc import Callable

from logger_app.errors import CaptureError
from logger_app.io.process import ending_signals
from logger_app.ui.display_io import load_display
from logger_app.ui.kivy_env import COMPLAINTS, prepare_environment
from logger_app.ui.presenters.fly import NO_CONTEXT, FlyContext
from logger_app.ui.presenters.preflight import briefing_rows
from logger_app.ui.theme import Display
from logger_app.ui.x11_io import size_without_manager

FRAMES_PER_S = 30
# A new flight's clock is younger than this when its screen opens; a resumed one is older.
RESUMED_NS = 5_000_000_000


def prepare_kivy(width: int | None = None, height: int | None = None) -> None:
    """Set Kivy up: no arguments, no files outside the user's folder, no red dots for a second finger.

    On a display without a window manager (a kiosk) the window takes all of it: nobody else would enlarge it.

    Parameters
    ----------
    width : int, optional
        Of the window; else the whole display [px].
    height : int, optional
        Of the window [px].

    Raises
    ------
    CaptureError
        There is a display by name, but no window comes up on it.
    """
    prepare_environment()
    from kivy.config import Config

    Config.set("graphics", "maxfps", str(FRAMES_PER_S))
    Config.set("graphics", "multisamples", "0")
    Config.set("input", "mouse", "mouse,disable_multitouch")
    for name, provider in Config.items("input"):
        if "probesysfs" in provider:  # the window library has the touches itself; this one asks for libmtdev
            Config.remove_option("input", name)
    Config.set("kivy", "exit_on_escape", "0")  # a brushed key must not end a flight
    screen = size_without_manager()
    if screen:
        Config.set("graphics", "borderless", "1")
        for key, value in (("position", "custom"), ("left", "0"), ("top", "0")):
            Config.set("graphics", key, value)
        width, height = screen
    if width and height:
        Config.set("graphics", "width", str(width))
        Config.set("graphics", "height", str(height))
    else:
        Config.set("graphics", "fullscreen", "auto")
    from kivy.core.window import Window

    if Window is None or Window.get_window_info() is None:
        raise CaptureError(
            f"the screen: got no window ({_why_no_window()}); needs one that can be drawn on.",
            hint="Check DISPLAY, or fly by voice and tones alone with --no-screen.",
        )


def _why_no_window() -> str:
    return COMPLAINTS.lines[-1] if COMPLAINTS.lines else "the display does not answer"


def show_splash() -> None:
    """The first picture, drawn before anything else is imported: a black window looks broken."""
    from kivy.base import EventLoop
    from kivy.core.text import Label
    from kivy.core.window import Window
    from kivy.graphics import Color, Rectangle
    from kivy.uix.widget import Widget

    palette = load_display().palette
    splash = Widget(size=Window.size)
    name = Label(text="Kneecall", font_size=0.1 * Window.height, bold=True)
    name.refresh()
    words = Label(text="A recorder, not an instrument", font_size=0.035 * Window.height)
    words.refresh()
    with splash.canvas:
        Color(*palette.ground)
        Rectangle(size=Window.size)
        Color(*palette.text)
        for label, up in ((name, 0.52), (words, 0.42)):
            x = (Window.width - label.texture.width) / 2
            Rectangle(texture=label.texture, pos=(x, up * Window.height), size=label.texture.size)
    EventLoop.ensure_window()
    Window.add_widget(splash)
    Window.canvas.ask_update()
    Window.dispatch("on_draw")
    Window.flip()
    Window.remove_widget(splash)


def keep_flying() -> None:
    """From now on an error while drawing is told on standard error and the app goes on.

    In flight nothing raises to the pilot: a screen that cannot draw something is no reason to end
    the recording behind it.
    """
    import traceback

    from kivy.base import ExceptionHandler, ExceptionManager

    class KeepFlying(ExceptionHandler):
        """Tells, and goes on."""

        def handle_exception(self, inst):
            if not isinstance(inst, Exception):
                return ExceptionManager.RAISE
            traceback.print_exception(inst)
            return ExceptionManager.PASS

    ExceptionManager.add_handler(KeepFlying())


def fly_context(session) -> tuple[FlyContext, Callable[[], object]]:
    """What the flight screen shows of the campaign, and what is kept when its cautions are read there.

    A flight that goes on after the program was away asks nothing: it is in the air.
    """
    from logger_app.workflows import preflight

    campaign, campaign_dir = session.campaign, session.flight_dir.parent.parent
    who = session.journal.info.who
    read = preflight.acknowledged(campaign_dir, campaign) is not None
    context = FlyContext(
        floor_ft=campaign.team.floor_ft,
        entry_min_ft=campaign.team.entry_min_ft,
        briefing=briefing_rows(preflight.briefing(campaign)),
        acknowledged=read or session.clock.now_ns() > RESUMED_NS,
        known=session.known,
    )
    return context, lambda: preflight.acknowledge(campaign_dir, campaign, who)


def make_fly_app(
    session,
    display: Display,
    context: FlyContext = NO_CONTEXT,
    acknowledge=lambda: None,
    end_with_recording: bool = False,
):
    """The flight app, not yet running. `landed` is True when the flight was ended on the screen."""
    from logger_app.ui.cockpit_apps import FlyApp

    return FlyApp(session, display, context, acknowledge, end_with_recording)


def make_preflight_app(workflow, display: Display):
    """The preflight app, not yet running; `workflow` is a `PreflightWorkflow`. FLY turns it into the flight app."""
    from logger_app.ui.cockpit_apps import PreflightApp

    return PreflightApp(workflow, fly_context)


def preflight_on_screen(workflow) -> int:
    """Preflight with the screen until it is closed, and the flight if FLY was touched.

    The exit code: 0, or 130 where a flight was begun and not landed.
    """
    from logger_app.workflows.flight_session import Phase

    prepare_kivy()
    keep_flying()
    app = make_preflight_app(workflow, workflow.state.display)
    landed = True
    try:
        with ending_signals(lambda *_: app.stop()):
            app.run()
    finally:
        if app.session:
            landed = app.session.snapshot().state.phase is Phase.LANDED
            app.session.stop(landed=landed)
    return 0 if landed else 130


def fly_on_screen(session) -> int:
    """Fly with the screen until it is closed.

    The exit code: 0 landed, 130 ended otherwise; the next start then resumes the flight.
    """
    prepare_kivy()
    keep_flying()
    app = make_fly_app(session, load_display(), *fly_context(session), end_with_recording=True)
    landed = False
    try:
        with ending_signals(lambda *_: app.stop()):
            app.run()
    finally:
        landed = app.landed or session.snapshot().ended
        session.stop(landed=landed)
    return 0 if landed else 130
