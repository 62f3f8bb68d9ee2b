"""A verb as a job beside the window: a process of its own, so that drawing goes on and Cancel always works.

The process is this very program; it prints its progress and messages, which are read by a thread.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from logger_app.ui.presenters.home import JobState

# The verbs print `progress FRACTION LABEL` on standard error where this is set; see `cli.common.Progress`.
PROGRESS_VARIABLE = "KNEECALL_PROGRESS"
PROGRESS = "progress "
PATIENCE_S = 5.0


def command(words: Sequence[str]) -> list[str]:
    """The command line that runs a verb with this very program, bundled or not."""
    if getattr(sys, "frozen", False):
        return [sys.executable, *words]
    return [sys.executable, "-m", "logger_app", *words]


class Job:
    """One verb. `state` is what a screen shows; `changed()` says once that it is new.

    The reader thread is started by `start` and ends with the process.
    """

    def __init__(self, title: str, words: Sequence[str]):
        self.words = list(words)
        self.state = JobState(title=title)
        self._new = True
        self._process: subprocess.Popen | None = None

    def start(self) -> None:
        """Run it."""
        package_home = str(Path(__file__).resolve().parents[2])
        paths = [package_home, *filter(None, [os.environ.get("PYTHONPATH")])]
        # Of its own group, so that Ctrl-C at the terminal ends the window and not only the job.
        new_group = {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
        self._process = subprocess.Popen(
            command(self.words),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            errors="replace",
            env=os.environ
            | {
                PROGRESS_VARIABLE: "1",
                "PYTHONPATH": os.pathsep.join(paths),
                "PYTHONUNBUFFERED": "1",
                "PYTHONUTF8": "1",
            },
            **new_group,
        )
        threading.Thread(target=self._read, name="job", daemon=True).start()

    def changed(self) -> bool:
        """Whether the state is another than at the last question."""
        new, self._new = self._new, False
        return new

    def cancel(self) -> None:
        """Ask it to stop, as Ctrl-C does; after some seconds end it."""
        process = self._process
        if process is None or process.poll() is not None:
            return
        self._put(replace(self.state, cancelled=True))
        stop = signal.SIGTERM if sys.platform == "win32" else signal.SIGINT
        process.send_signal(stop)
        threading.Timer(PATIENCE_S, process.kill).start()  # nothing where it has ended already

    def close(self) -> None:
        """The window closes: nothing goes on behind it."""
        self.cancel()

    def _read(self) -> None:
        process = self._process
        assert process is not None and process.stdout is not None
        for line in process.stdout:
            line_text = line.rstrip()
            if line_text.startswith(PROGRESS):
                _, share, *stage = line_text.split(" ", 2)
                self._put(replace(self.state, fraction=float(share), stage=" ".join(stage)))
            elif line_text:
                self._put(replace(self.state, lines=(*self.state.lines, line_text)))
        self._put(replace(self.state, code=process.wait()))

    def _put(self, state: JobState) -> None:
        self.state, self._new = state, True
