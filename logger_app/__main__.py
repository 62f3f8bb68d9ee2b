"""The front door: `kneecall <verb> ...` and `python -m logger_app`; without a verb, on a display, the app.

A verb's module is imported only when its verb is asked for, so `--help` answers at once. Each
module in `cli` has `SUMMARY`, `EXAMPLE`, `add_arguments(parser)` and `run(args) -> int`.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from logger_app import __version__
from logger_app.errors import LoggerError, Notice

VERBS = {
    "plan": "plan a campaign, check it, print cards",
    "preflight": "check microphone, hearing, disk and cards before the flight",
    "fly": "walk through the cards in the air, recording and hearing",
    "hear": "turn a recording or a transcript into calls",
    "review": "check and correct the calls of a flight",
    "sync": "put camera files on the flight clock",
    "compare": "the wing of two configurations at the same airspeed",
    "calibrate": "airspeed calibration from GPS legs",
    "reduce": "stall speeds and comparisons of a campaign",
    "report": "write the report page and tables of a campaign",
    "store": "look after flight folders: verify, rescue, forget sound",
    "demo": "run the whole path on the campaign that ships with the program",
}


class _Parser(argparse.ArgumentParser):
    """Help and version into a stream that was closed are nobody's: later Pythons forgive that, 3.11.2 does not."""

    def _print_message(self, message, file=None):
        with suppress(AttributeError, OSError):
            super()._print_message(message, file)


def main(argv: list[str] | None = None) -> int:
    """Run one verb; gives the exit code: 0 done, 1 wrong input, 2 wrong usage, 130 interrupted."""
    from logger_app.cli.common import shown_streams
    from logger_app.io.process import interrupts_remembered, keep_standard_files_open, leave_if_stuck

    keep_standard_files_open()
    with shown_streams(), _notices_shown(), interrupts_remembered():
        code = _main(sys.argv[1:] if argv is None else argv)
    if argv is None:  # this is the program itself, not a call of it
        leave_if_stuck(code)
    return code


@contextmanager
def _notices_shown() -> Iterator[None]:
    """What was left out of a campaign is said once, in one line each."""
    said: set[str] = set()
    with warnings.catch_warnings():
        show = warnings.showwarning

        def shown(message, category, *where, **more) -> None:
            if not issubclass(category, Notice):
                show(message, category, *where, **more)
            elif str(message) not in said:
                said.add(str(message))
                print(f"kneecall: note: {message}", file=sys.stderr)

        warnings.showwarning = shown
        warnings.simplefilter("always", Notice)
        yield


def _main(argv: list[str]) -> int:
    verb = next((word for word in argv if not word.startswith("-")), None)
    args = _parser(verb).parse_args(argv)
    if args.verb is None and not _opens_app(argv):
        _parser(None).print_help()
        return 2
    try:
        if args.verb is None:
            from logger_app.cli.app import run_app

            return run_app()
        return int(args.run(args) or 0)
    except LoggerError as err:
        if args.debug:
            raise
        return _fail(str(err))
    except KeyboardInterrupt:
        print("\ninterrupted", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output went away (`| head`): not our user's mistake.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        return _fail("not enough memory for this input; nothing was written")
    except OSError as err:
        if args.debug:
            raise
        where = f"{err.filename}: " if err.filename else ""
        return _fail(f"{where}{err.strerror or err}")


def _opens_app(argv: list[str]) -> bool:
    """`kneecall` alone, where a window can be seen."""
    if [word for word in argv if word != "--debug"]:
        return False
    from logger_app.cli.app import has_display

    return has_display()


def _fail(message: str) -> int:
    print(f"kneecall: {message}", file=sys.stderr)
    return 1


def _parser(verb: str | None) -> argparse.ArgumentParser:
    parser = _Parser(
        prog="kneecall",
        description="In-cockpit voice and tablet test-card logger for stall-speed flight tests: "
        "plan, fly, hear, review, sync, reduce, report. A recorder, not an instrument.",
        epilog="example: kneecall demo -o demo-out",
    )
    parser.add_argument("--version", action="version", version=f"kneecall {__version__}")
    parser.add_argument("--debug", action="store_true", help="show a traceback when something fails")
    commands = parser.add_subparsers(dest="verb", metavar="VERB")
    for name, summary in VERBS.items():
        if name == verb:
            module = importlib.import_module(f"logger_app.cli.{name}")
            command = commands.add_parser(
                name,
                help=summary,
                description=module.SUMMARY,
                epilog=f"example: {module.EXAMPLE}",
                formatter_class=argparse.RawDescriptionHelpFormatter,
            )
            # SUPPRESS: `kneecall --debug fly` must not be undone by fly's own default.
            command.add_argument("--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
            module.add_arguments(command)
            command.set_defaults(run=module.run)
        else:
            commands.add_parser(name, help=summary)
    return parser


if __name__ == "__main__":
    sys.exit(main())
