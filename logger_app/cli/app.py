"""`kneecall` alone on a display: the app. No verb of its own: its tiles do what the verbs do.

What the screens need is put together here by the verbs' own functions, so that a screen opened in the app is the one that the verb opens.
"""

from __future__ import annotations

import argparse
import os
import threading
from pathlib import Path
from queue import SimpleQueue

from logger_app.cli import compare
from logger_app.errors import LoggerError


def has_display() -> bool:
    """Whether a window could be seen."""
    from logger_app.errors import CaptureError
    from logger_app.ui.screen_check import need_screen

    try:
        need_screen("app")
    except CaptureError:
        return False
    return True


def run_app() -> int:
    """Open the app; returns when its window is closed.

    Raises
    ------
    CaptureError
        There is a display by name, but no window comes up on it.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from logger_app.ui.app import keep_flying, prepare_kivy, show_splash

    prepare_kivy()
    show_splash()
    keep_flying()
    from logger_app.ui.main_app import MainApp, Screens

    screens = Screens(plan=_plan, preflight=_preflight, fly=_fly, review=_review, compare=_compare, history=_history)
    MainApp(screens).run()
    return 0


def _options(verb, folder: Path) -> argparse.Namespace:
    """A verb's options as they are when only the folder is given."""
    parser = argparse.ArgumentParser(prog="kneecall")
    verb.add_arguments(parser)
    return parser.parse_args([str(folder)])


def _plan(folder: Path):
    from logger_app.workflows.planning import campaign_file, flown, read_text

    def load():
        read_text(campaign_file(folder))
        return flown(folder)

    def make(done):
        from logger_app.ui.screens.plan import PlanScreenApp

        return PlanScreenApp(campaign_file(folder), done.runs, done.flights, done.trouble)

    return load, make


def _review(flight: Path):
    from logger_app.workflows.review import ReviewWorkflow, person

    def load():
        workflow = ReviewWorkflow(flight, person())
        workflow.load()
        return workflow

    def make(workflow):
        from logger_app.ui.screens.review import FlightReviewApp

        return FlightReviewApp(workflow)

    return load, make


def _history(folder: Path):
    from logger_app.workflows.history import load_history

    def make(history):
        from logger_app.ui.screens.history import DesignHistoryApp

        return DesignHistoryApp(history)

    return lambda: load_history(folder), make


def _preflight(folder: Path):
    from logger_app.cli import preflight

    def make(_):
        from logger_app.ui.app import make_preflight_app
        from logger_app.ui.display_io import load_display

        return make_preflight_app(preflight.desk_of(_options(preflight, folder), load_display()), load_display())

    return (lambda: None), make


def _fly(folder: Path):
    from logger_app.workflows.campaign import load_campaign
    from logger_app.workflows.takeoff import Wishes, build_session

    def load():
        return build_session(load_campaign(folder), folder, Wishes())

    def make(session):
        from logger_app.ui.app import fly_context, make_fly_app
        from logger_app.ui.display_io import load_display

        app = make_fly_app(session, load_display(), *fly_context(session))
        app.left = lambda: session.stop(landed=app.landed)
        return app

    return load, make


def _compare(folder: Path, point: str, configurations):
    """The verb runs in a thread of its own, which holds the camera files open until the screen is left."""
    left = threading.Event()

    def load():
        answer: SimpleQueue = SimpleQueue()

        def opens(work) -> None:
            answer.put(work)
            left.wait()

        def run() -> None:
            from logger_app.ui.hosting import host_here
            from logger_app.workflows.compare_runs import MAX_SIDES

            host_here(opens)
            parser = argparse.ArgumentParser(prog="kneecall")
            compare.add_arguments(parser)
            names = ",".join(configurations[:MAX_SIDES])
            try:
                compare.run(parser.parse_args([str(folder), "--point", point, "--configs", names, "--screen"]))
            except (LoggerError, OSError) as err:
                answer.put(err)

        threading.Thread(target=run, name="compare", daemon=True).start()
        found = answer.get()
        if isinstance(found, Exception):
            raise found
        return found

    def make(work):
        from logger_app.ui.screens.compare import WingCompareApp

        app = WingCompareApp(work)
        app.left = left.set
        return app

    return load, make
