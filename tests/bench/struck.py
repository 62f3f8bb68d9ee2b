"""A verb in a process of its own, with something that happens to it: the child of `faults.py`.

    python struck.py PLAN.json VERB ARGUMENTS...

The plan (all keys may be left out):

under, at, late_s, do   what happens: `kill` (SIGKILL), `stop` (SIGSTOP), `move`, `remove`, `unmount`, `shut` (as if
                        the card were pulled out), at the at-th time that Python touches the disk under this folder (a
                        file opened for writing, a write, a sync, a rename, an SQL statement), or so much later
what, to                the folder that it happens to, and where it is moved
steps                   file to write the number of steps into, at the end
script                  a call every 0.15 s of sound in place of the recogniser
reserve                 room kept for the journal in flight [B]
microphone              [[block, event, seconds], ...]: a sound card that misbehaves, see `Card`
blocks                  so many blocks of sound, then Ctrl-C
signal                  the number of another signal, in place of Ctrl-C
frozen                  from this block on, a tone that is to be played is never answered
full                    from this block on, the disk has no room for sound
clock                   [[block, wall_by_s, monotonic_by_s, slept], ...]: clocks that jump at a block; `slept` says that
                        the time has really passed, and the sound card was asleep
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import types
from pathlib import Path

import numpy as np

BLOCK_S = 0.05
RATE_HZ = 16_000
CALL_SAMPLES = 2400
# The ioctl by which ext4, xfs and f2fs stop at once without writing what they hold (linux/fs.h: FS_IOC_SHUTDOWN,
# flag 2: without flushing the log).
FS_IOC_SHUTDOWN, NO_LOG_FLUSH = 0x8004587D, b"\x02\x00\x00\x00"
_WALL, _MONOTONIC, _SLEEP, _CLOCK = time.time, time.monotonic, time.sleep, time.clock_gettime


class Steps:
    """Counts what Python does to the disk, and strikes at one of these moments."""

    def __init__(self, plan: dict):
        self.plan, self.count, self.lock, self.on = plan, 0, threading.RLock(), True
        self.under = os.path.realpath(plan["under"]) if "under" in plan else ""
        sys.addaudithook(self._heard)
        for name in ("write", "fsync", "fdatasync"):
            setattr(os, name, self._counted(getattr(os, name)))
        connect, steps = sqlite3.connect, self

        class Connection(sqlite3.Connection):
            def execute(self, *args):
                steps.step()
                done = super().execute(*args)
                steps.step()
                return done

        sqlite3.connect = lambda *args, **options: connect(*args, factory=Connection, **options)

    def _counted(self, real):
        def act(*args):
            if args[0] > 2:  # not what is said
                self.step()
            return real(*args)

        return act

    def _heard(self, event: str, args: tuple) -> None:
        if not self.on:
            return
        if event == "open":
            path, mode, flags = args
            writes = flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT) if isinstance(flags, int) else "w" in str(mode)
            if writes and isinstance(path, str) and self._here(path):
                self.step()
        elif event in ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.truncate"):
            self._step_if_here(args[0])

    def _step_if_here(self, path) -> None:
        if isinstance(path, (str, os.PathLike)) and self._here(os.fspath(path)):
            self.step()

    def _here(self, path: str) -> bool:
        return os.path.realpath(path).startswith(self.under)

    def step(self) -> None:
        with self.lock:
            if not self.on:
                return
            self.count += 1
            if self.count != self.plan.get("at"):
                return
            self.on = False
        if late_s := self.plan.get("late_s"):
            timer = threading.Timer(late_s, self.strike)
            timer.daemon = True
            timer.start()
        else:
            self.strike()

    def strike(self) -> None:
        do, what = self.plan["do"], self.plan.get("what", "")
        if do == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        elif do == "stop":
            os.kill(os.getpid(), signal.SIGSTOP)
        elif do == "move":
            if os.path.isdir(what):
                os.rename(what, self.plan["to"])
        elif do == "remove":
            shutil.rmtree(what, ignore_errors=True)
        elif do == "unmount":
            subprocess.run(["umount", "-l", what], check=False)
        elif do == "shut":
            fd = os.open(what, os.O_RDONLY)
            fcntl.ioctl(fd, FS_IOC_SHUTDOWN, NO_LOG_FLUSH)
            os.close(fd)


class Script:
    """A recogniser that hears a call every 0.15 s, whatever is said."""

    name = "script"

    def __init__(self):
        self.n = self.told = 0

    def feed(self, pcm):
        from logger_app.records.calls import CallKind, HeardCall

        self.n += len(pcm)
        calls = []
        while (self.told + 1) * CALL_SAMPLES <= self.n:
            self.told += 1
            end_ns = self.told * 150_000_000
            begins = self.told % 40 == 1
            calls.append(
                HeardCall(
                    id="x",
                    start_ns=end_ns - 100_000_000,
                    end_ns=end_ns,
                    words=str(self.told),
                    kind=CallKind.EVENT if begins else CallKind.AIRSPEED,
                    name="on_condition" if begins else "ias",
                    value=None if begins else 60 - self.told % 15,
                    unit=None if begins else "kt",
                )
            )
        return calls

    def finish(self):
        return []

    def partial(self):
        return ""


class Maker:
    """`EngineMaker` for the script."""

    engine_name = "script"
    pack = types.SimpleNamespace(id="script/1")

    def __init__(self, *args):
        pass

    def __call__(self):
        return Script()

    def reader(self, confusions=()):
        return list


class Clocks:
    """The wall clock and the monotonic clock of the process, as they are set."""

    def __init__(self):
        self.wall_by_s = self.monotonic_by_s = 0.0
        time.time = lambda: _WALL() + self.wall_by_s
        time.monotonic = lambda: _MONOTONIC() + self.monotonic_by_s
        time.clock_gettime = lambda clock: (
            _CLOCK(clock) + (self.wall_by_s if clock == time.CLOCK_REALTIME else self.monotonic_by_s)
        )
        import datetime as module

        clocks, real = self, module.datetime

        class Datetime(real):
            @classmethod
            def now(cls, tz=None):
                return real.fromtimestamp(_WALL() + clocks.wall_by_s, tz)

        module.datetime = Datetime


class Card(types.ModuleType):
    """A `sounddevice` whose one microphone does what the plan says.

    A block holds the number of the twentieth of a second in which it was "spoken", so that what is on
    the disk says when it was. Times of blocks are the wall clock's, as PortAudio 19.6 has them on Linux
    (its `PaUtil_GetTime` calls ``clock_gettime(CLOCK_REALTIME)``).

    Events, each for some seconds: `unplugged` (no blocks, no device), `absent` (the same, from the
    beginning), `stalls` (no blocks, then the same stream goes on), `overflow` (samples lost, and told),
    `raises` (unplugged, and every call into the library fails).
    """

    class PortAudioError(Exception):
        pass

    def __init__(self, plan: dict, clocks: Clocks | None):
        super().__init__("sounddevice")
        self.plan, self.clocks = plan, clocks
        self.events = sorted(plan.get("microphone", []))
        self.jumps = sorted(plan.get("clock", []))
        self.began_s, self.slept_s = _MONOTONIC(), 0.0
        self.stream, self.state, self.until_s = None, "", 0.0  # the stream: its callback
        self.pushed: list[int] = []
        self.k = 0
        self.thread = threading.Thread(target=self.run, daemon=True)
        if self.events and self.events[0][1] == "absent":
            self.begin(self.events.pop(0))

    # ---- what `sounddevice` has

    def RawInputStream(self, *, callback, **options):
        self.fail_if("querying device -1", "unplugged", "absent", "raises")
        return types.SimpleNamespace(start=lambda: self.start(callback), abort=self.close, close=self.close)

    def start(self, callback):
        self.stream = callback

    def close(self, ignore_errors=False):
        self.stream = None
        self.fail_if("closing", "raises")

    def _terminate(self):
        self.fail_if("terminating", "raises")

    def _initialize(self):
        self.fail_if("initializing", "raises")

    def RawOutputStream(self, **options):
        raise self.PortAudioError("no loudspeaker")

    def play(self, *args, **options):
        if self.k >= self.plan.get("frozen", float("inf")):
            threading.Event().wait()
        if "frozen" not in self.plan:
            raise self.PortAudioError("no loudspeaker")

    def get_stream(self):
        return types.SimpleNamespace(latency=0.02)

    query_devices = check_output_settings = RawOutputStream

    def fail_if(self, doing: str, *states: str) -> None:
        if self.state in states and _MONOTONIC() < self.until_s:
            raise (OSError if int(self.until_s * 1000) % 2 else self.PortAudioError)(f"Error {doing}")

    # ---- the device

    def begin(self, event: list) -> None:
        _, self.state, seconds = event
        self.until_s = _MONOTONIC() + seconds
        if self.state in ("unplugged", "raises"):
            self.stream = None  # plugged in again it is another stream

    def jump(self, wall_by_s: float, monotonic_by_s: float, slept: bool) -> None:
        self.clocks.wall_by_s += wall_by_s
        self.clocks.monotonic_by_s += monotonic_by_s
        if slept:
            self.slept_s += wall_by_s

    def run(self) -> None:
        overflow = False
        for k in range(self.plan["blocks"]):
            self.k = k
            due_s = self.began_s + (k + 1) * BLOCK_S
            _SLEEP(max(0.0, due_s - _MONOTONIC()))
            while self.jumps and self.jumps[0][0] <= k:
                self.jump(*self.jumps.pop(0)[1:])
            while self.events and self.events[0][0] <= k:
                self.begin(self.events.pop(0))
            away = self.state and _MONOTONIC() < self.until_s
            overflow = overflow or (away and self.state == "overflow")
            callback = self.stream
            if away or callback is None:
                continue
            number = k + round(self.slept_s / BLOCK_S)
            data = np.full(800, number % 30_000, np.int16).tobytes()
            at_s = due_s - BLOCK_S + _WALL() - _MONOTONIC() + (self.clocks.wall_by_s if self.clocks else 0.0)
            told = types.SimpleNamespace(inputBufferAdcTime=at_s), types.SimpleNamespace(input_overflow=bool(overflow))
            callback(bytearray(data), 800, *told)
            overflow = False
            self.pushed.append(number)
        Path(self.plan["pushed"]).write_text(json.dumps(self.pushed))
        _SLEEP(0.2)
        os.kill(os.getpid(), self.plan.get("signal", signal.SIGINT))


def main() -> int:
    plan = json.loads(Path(sys.argv[1]).read_text("utf-8"))
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    clocks = Clocks() if plan.get("clock") else None
    steps = Steps(plan) if "under" in plan else None
    import logger_app.fly.capture.audio_writer as writer
    import logger_app.workflows.flight_session as session
    from logger_app.__main__ import main as kneecall

    if plan.get("script"):
        session.EngineMaker = Maker
    if "reserve" in plan:
        writer.JOURNAL_BYTES = plan["reserve"]
    if "blocks" in plan:
        sys.modules["sounddevice"] = card = Card(plan, clocks)
        card.thread.start()
        if "full" in plan:
            usage = shutil.disk_usage
            shutil.disk_usage = lambda path: usage(path)._replace(free=0) if card.k >= plan["full"] else usage(path)
    try:
        return kneecall(sys.argv[2:])
    finally:
        if steps and "steps" in plan:
            steps.on = False
            Path(plan["steps"]).write_text(str(steps.count))


if __name__ == "__main__":
    sys.exit(main())
