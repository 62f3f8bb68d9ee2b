"""The process itself: the signals that end it, its standard files, and leaving it when something is stuck."""

from __future__ import annotations

import os
import select
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

# What ends a flight from outside: Ctrl-C, the system, the terminal that goes away (POSIX only).
ENDING_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


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


def leave_at_once(code: int) -> None:
    """End the process without waiting for threads or libraries that are stuck."""
    for stream in (sys.stdout, sys.stderr):
        fd_ready = _can_write(stream)
        if fd_ready:
            try:
                stream.flush()
            except (OSError, ValueError):
                continue
    os._exit(code)


def _can_write(stream: Any) -> bool:
    try:
        return bool(select.select([], [stream.fileno()], [], 0)[1])
    except (AttributeError, OSError, ValueError):
        return False
