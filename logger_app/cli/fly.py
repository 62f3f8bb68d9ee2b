"""`kneecall fly`: walk through the cards in the air, recording and hearing."""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path

from logger_app.cli.common import _clean, say

SUMMARY = "Walk through the cards in the air: record, hear, and say after each run whether it counts."
EXAMPLE = "kneecall fly sparrow --flight day1_baseline"


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("campaign", type=Path, help="campaign folder")
    parser.add_argument(
        "--flight", metavar="NAME", help="flight folder's name (default: the unfinished one, else the next one planned)"
    )
    parser.add_argument("--configuration", metavar="ID", help="what is fitted (default: as planned)")
    parser.add_argument("--pilot", default="", metavar="NAME", help="who flies")
    parser.add_argument("--no-screen", action="store_true", help="by voice and tones alone")
    parser.add_argument("--audio", type=Path, metavar="FILE", help="play a recording in place of the microphone")
    parser.add_argument("--fast", action="store_true", help="with --audio: as fast as it can be heard")
    parser.add_argument("--device", metavar="NAME", help="part of the microphone's name (default: the system's)")
    parser.add_argument("--engine", metavar="NAME", help="recogniser (default: our own)")
    parser.add_argument("--model", type=Path, metavar="FOLDER", help="model of another recogniser")
    parser.add_argument(
        "--json", action="store_true", help="each journal row as one line of JSON, when it is on the disk"
    )
    parser.set_defaults(usage_error=parser.error)


def run(args) -> int:
    """Fly; see the module's docstring."""
    from logger_app.workflows import campaign as flow

    if args.fast and not args.audio:
        args.usage_error("--fast needs --audio FILE: a microphone has only one speed")
    if not args.no_screen:
        from logger_app.ui.screen_check import need_screen

        need_screen("fly", "Or fly by voice and tones alone with --no-screen.")
    campaign = flow.load_campaign(args.campaign)
    printer = Lines() if args.json else Words() if args.no_screen else Silence()
    session = build_session(campaign, args, printer)
    if not args.no_screen:
        from logger_app.ui.app import fly_on_screen

        return fly_on_screen(session)
    say(f"Flight {session.flight_dir.name}: recording. Ctrl-C lands.")
    return _fly_blind(session, args)


def _fly_blind(session, args) -> int:
    """Until the recording is over, Ctrl-C (lands) or SIGTERM (goes on at the next start)."""
    asked: list[int] = []
    wake = threading.Event()

    def ask(number, frame):
        asked.append(number)
        wake.set()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        session.start()
        if args.audio:
            while not asked and not session.wait(0.1):
                pass
        else:
            wake.wait()
        session.stop(landed=not asked or asked[0] == signal.SIGINT)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if args.audio and session.microphone.trouble:
        from logger_app.errors import SoundError

        raise SoundError(session.microphone.trouble)
    if asked:
        say("landed" if asked[0] == signal.SIGINT else "stopped: the next `kneecall fly` resumes this flight")
        return 130
    return 0


class Lines:
    """Prints every row, and every run that ended, as one line of JSON."""

    def __call__(self, rows, runs) -> None:
        for row in rows:
            self._print(row_as_json(row))
        for closed in runs:
            self._print(run_as_json(closed))
        sys.stdout.flush()

    @staticmethod
    def _print(document: dict) -> None:
        sys.stdout.write(json.dumps(_clean(document), ensure_ascii=False) + "\n")


class Words:
    """Prints what happens for a person: calls, steps and verdicts."""

    def __call__(self, rows, runs) -> None:
        for row in rows:
            text = row_in_words(row)
            if text:
                print(f"{row.flight_ns * 1e-9:8.1f} s  {text}", flush=True)


class Silence:
    """Prints nothing: the screen shows it all."""

    def __call__(self, rows, runs) -> None:
        return None


def build_session(campaign, args, on_rows, make=None):
    """The session that the options ask for; everything that can be refused is refused here."""
    from logger_app import __version__
    from logger_app.fly.capture.mic_portaudio import PortAudioMicrophone
    from logger_app.fly.capture.mic_wavfile import FileMicrophone
    from logger_app.fly.capture.speaker import PortAudioSpeaker, SilentSpeaker
    from logger_app.workflows.flight_session import EngineMaker, FlightSession, open_flight
    from logger_app.workflows.preflight import acknowledged

    microphone = FileMicrophone(args.audio, paced=not args.fast) if args.audio else PortAudioMicrophone(args.device)
    make = make or EngineMaker(campaign, args.engine, args.model)
    journal = open_flight(
        campaign,
        args.campaign,
        args.flight,
        args.configuration,
        who=args.pilot,
        app=__version__,
        engine=make.engine_name,
        pack=make.pack.id,
        briefing=acknowledged(args.campaign, campaign),
    )
    try:
        return FlightSession(
            campaign,
            journal,
            microphone=microphone,
            engine=make,
            read=make.reader(),
            on_rows=on_rows,
            speaker=SilentSpeaker() if args.audio and args.fast else PortAudioSpeaker(),
        )
    except BaseException:
        journal.close()
        raise


def row_as_json(row) -> dict:
    """A journal row as `fly --json` prints it.

    Returns
    -------
    dict
        ``row`` (its kind), ``id``, ``seq``, ``flight_s``, ``utc``, and its body; a call as everywhere.
    """
    head = {
        "row": str(row.kind),
        "id": row.id,
        "seq": row.seq,
        "flight_s": round(row.flight_ns * 1e-9, 3),
        "utc": row.utc,
    }
    if row.kind == "call":
        from logger_app.logstore.codec import body_to_call

        return head | body_to_call(row.body).as_json()
    body = {
        (key[:-3] + "_s" if key.endswith("_ns") else key): (round(v * 1e-9, 3) if key.endswith("_ns") else v)
        for key, v in row.body.items()
    }
    return head | {key: value for key, value in body.items() if key not in head}


def run_as_json(run) -> dict:
    """A run that ended, as `fly --json` prints it."""
    return {
        "row": "run",
        "id": run.id,
        "number": run.number,
        "point": run.point,
        "start_s": round(run.start_ns * 1e-9, 3),
        "end_s": round(run.end_ns * 1e-9, 3),
        "ended": str(run.ended),
        "discarded": run.discarded,
        "calls": list(run.calls),
        "counts": run.verdict.counts,
    }


def row_in_words(row) -> str:
    """A journal row for a person; empty for rows that say nothing to one."""
    body = row.body
    if row.kind == "call":
        value = (
            ""
            if body["value"] is None
            else f" {body['value']:g}"
            if not isinstance(body["value"], str)
            else (f" {body['value']}")
        )
        name = body["name"] if body["kind"] != "airspeed" else ""
        return f"{name}{value} {body['unit'] or ''}".strip()
    if row.kind == "step":
        return f"-- {body['step'].replace('_', ' ')}" + (f" ({body['point']})" if body["point"] else "")
    if row.kind == "verdict":
        return f"== {body['words']}"
    if row.kind == "gap":
        return f"!! {body['why']} ({(body['end_ns'] - body['start_ns']) * 1e-9:.1f} s)"
    return ""
