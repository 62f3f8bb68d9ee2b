"""The process itself: the signals that end it, its standard files, and leaving it when something is stuck."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

# What ends a flight from outside: Ctrl-C, the system, the terminal that goes away (POSIX only).
ENDING_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))

# Names of the threads of a flight that may wait for something that does not answer.
FLIGHT_THREADS = (
    "microphone watch",
    "file microphone",
    "sound writer",
    "hearing",
    "core",
    "printing",
    "tones",
    "messages",
)


@contextmanager
def ending_signals(handler: Callable[[int, Any], object]) -> Iterator[None]:
    """While open, the signals that end a flight go to `handler`; one that is ignored (`nohup`) stays so."""
    before = {
        number: signal.signal(number, handler)
        for number in ENDING_SIGNALS
        if signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        yield
    finally:
        for number, was in before.items():
            signal.signal(number, was)


_interrupted = threading.Event()


@contextmanager
def interrupts_remembered() -> Iterator[None]:
    """While open, Ctrl-C is also remembered: compiled libraries at times lose the exception that it raises.

    Loops over such a library call `stop_if_interrupted`. Where Ctrl-C is ignored or handled already, it stays so.
    """
    _interrupted.clear()
    here = threading.current_thread() is threading.main_thread()
    if not here or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return

    def interrupt(number: int, frame: Any) -> None:
        _interrupted.set()
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def stop_if_interrupted() -> None:
    """Raise KeyboardInterrupt once more where one was lost on its way."""
    if _interrupted.is_set():
        raise KeyboardInterrupt


def keep_standard_files_open() -> None:
    """Put nothing in the place of standard files that are closed.

    The next file opened would get their number, and a library that complains on standard error would write
    into it: into a recording, say.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDONLY if number == 0 else os.O_WRONLY)


def leave_if_stuck(code: int) -> None:
    """End the process at once if a thread of a flight is still at work: libraries would wait for it at the exit."""
    if any(thread.name.startswith(FLIGHT_THREADS) for thread in threading.enumerate()):
        for stream in filter(_can_write, (sys.stdout, sys.stderr)):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)


def _can_write(stream: Any) -> bool:
    try:
        return bool(select.select([], [stream.fileno()], [], 0)[1])
    except (AttributeError, OSError, ValueError):
        return False
