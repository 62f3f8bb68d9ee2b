"""`kneecall fly`: walk through the cards in the air, recording and hearing."""

from __future__ import annotations

import argparse
import json
import signal
import sys
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from logger_app.cli.common import OUR_CONTROLS, _clean, add_cockpit_options
from logger_app.errors import CaptureError, LoggerError, SoundError, visible

if TYPE_CHECKING:
    from logger_app.workflows.flight_session import FlightSession, Landing

SUMMARY = "Walk through the cards in the air: record, hear, and say after each run whether it counts."
EXAMPLE = "kneecall fly sparrow --flight day1_baseline"
MAX_MESSAGES = 1000
# How long messages may take at the end, standard error being blocked [s].
MESSAGES_S = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    add_cockpit_options(
        parser,
        flight="flight folder's name (default: the unfinished one, else the next one planned)",
        no_screen="by voice and tones alone",
        audio="play a recording in place of the microphone",
    )
    parser.add_argument("--fast", action="store_true", help="with --audio: as fast as it can be heard")
    parser.add_argument(
        "--without-microphone",
        action="store_true",
        help="begin although no sound comes from the microphone: cards by touch, nothing recorded until it comes",
    )
    parser.add_argument(
        "--json", action="store_true", help="each journal row as one line of JSON, when it is on the disk"
    )
    parser.set_defaults(usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Fly; see the module's docstring."""
    if args.fast and not args.audio:
        args.usage_error("--fast needs --audio FILE: a microphone has only one speed")
    messages = Messages()
    try:
        code = _fly(args, messages)
    except LoggerError as err:
        if args.debug:
            raise
        messages.say(f"kneecall: {err}")
        code = 1
    messages.close()
    return code


def _fly(args: argparse.Namespace, messages: Messages) -> int:
    from logger_app.workflows.campaign import load_campaign
    from logger_app.workflows.takeoff import build_session

    campaign = load_campaign(args.campaign)
    if not args.no_screen:
        from logger_app.ui.screen_check import need_screen

        need_screen("fly", "Or fly by voice and tones alone with --no-screen.")
    printer = Printer(args.json) if args.json or args.no_screen else None
    session = build_session(
        campaign,
        args.campaign,
        wishes_of(args),
        on_rows=printer,
        ready=(lambda: None) if args.no_screen else _open_window,
        say=messages.say,
    )
    if printer:
        printer.session = session
    ended_by = None
    try:
        if not args.no_screen:
            from logger_app.ui.app import fly_on_screen

            code = fly_on_screen(session)
        else:
            state = "recording" if session.sound_comes else "NOT recording, no sound from the microphone"
            messages.say(f"Flight {session.flight_dir.name}: {state}. Ctrl-C lands.")
            code, ended_by = _fly_blind(session, played=bool(args.audio))
    finally:
        for sentence in session.landing.sentences():
            messages.say(sentence)
    if args.audio and session.microphone and session.microphone.trouble:
        raise SoundError(session.microphone.trouble)
    return _exit_code(session.landing, messages, code, ended_by)


def _open_window() -> None:
    from logger_app.ui.app import prepare_kivy

    prepare_kivy()


def wishes_of(args: argparse.Namespace) -> Any:
    """The options as the workflow takes them."""
    from logger_app.workflows.takeoff import Wishes

    return Wishes(
        flight=args.flight,
        configuration=args.configuration,
        pilot=args.pilot,
        audio=args.audio,
        fast=getattr(args, "fast", False),
        device=args.device,
        engine=args.engine,
        model=args.model,
        without_microphone=args.without_microphone,
    )


def _fly_blind(session: FlightSession, played: bool) -> tuple[int, int | None]:
    """Until the recording is over, Ctrl-C (lands), SIGTERM or SIGHUP (goes on at the next start)."""
    from logger_app.io.process import ending_signals

    asked: list[int] = []
    wake = threading.Event()

    def ask(number: int, frame: object) -> None:
        if session.stopping:
            session.hurry()
        asked.append(number)
        wake.set()

    with ending_signals(ask):
        session.start()
        while not wake.wait(0.1):
            if played and session.recording_over:
                break
        ended_by = asked[0] if asked else None  # what is asked later only hurries
        session.stop(landed=ended_by in (None, signal.SIGINT))
    return (130 if asked else 0), ended_by


def _exit_code(landing: Landing, messages: Messages, code: int, ended_by: int | None) -> int:
    """0 landed and printed, 130 ended by a signal; what should have been recorded and was not is refused."""
    if landing.sound_lost:
        raise CaptureError(landing.sound_lost)
    if ended_by is not None:
        landed = ended_by == signal.SIGINT
        messages.say("landed" if landed else "stopped: the next `kneecall fly` resumes this flight")
        return code
    return code or (1 if landing.rows_not_printed and not landing.reader_gone else 0)


class Messages:
    """Messages to a person on standard error, which may be blocked: said from a thread of their own."""

    def __init__(self) -> None:
        from logger_app.io.outlet import DirectText, Outlet

        write = DirectText(sys.stderr)
        self._outlet = Outlet("messages", lambda text: write(visible(f"{text}\n", OUR_CONTROLS)), MAX_MESSAGES)
        self._outlet.start()

    def say(self, text: str) -> None:
        """Hand a message over; never waits."""
        self._outlet.offer(text)

    def close(self) -> None:
        """Let what waits be said, if it can."""
        self._outlet.finish(MESSAGES_S)


class Printer:
    """Prints rows that are on the disk, on standard output: as lines of JSON, or in words for a person."""

    def __init__(self, as_json: bool) -> None:
        from logger_app.io.outlet import DirectText

        self._lines = self._json_lines if as_json else _lines_in_words
        self.session: FlightSession | None = None  # known once it is built; nothing is printed before
        self._write = DirectText(sys.stdout)

    def __call__(self, rows: Sequence[Any], runs: Sequence[Any]) -> None:
        """Print rows, and the runs that ended with them; may block."""
        if lines := self._lines(rows, runs):
            self._write(visible("\n".join(lines) + "\n", OUR_CONTROLS))

    def _json_lines(self, rows: Sequence[Any], runs: Sequence[Any]) -> list[str]:
        from logger_app.workflows.flight_session.printed import row_as_json, run_as_json

        documents = [row_as_json(row) for row in rows]
        for run in runs:
            session = self.session
            enough = session.known.after_run(session.snapshot().state, run) if session else {}
            documents.append(run_as_json(run, enough))
        return [json.dumps(_clean(document), ensure_ascii=False) for document in documents]


def _lines_in_words(rows: Sequence[Any], runs: Sequence[Any]) -> list[str]:
    from logger_app.workflows.flight_session.printed import row_in_words

    words = [(row, row_in_words(row)) for row in rows]
    return [f"{row.flight_ns * 1e-9:8.1f} s  {text}" for row, text in words if text]
