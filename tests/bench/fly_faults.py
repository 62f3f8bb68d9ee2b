"""Faults at random moments of a flight: kill -9, SIGTERM, a full disk. What was accepted must still be there.

    python tests/bench/fly_faults.py --quick       50 trials
    python tests/bench/fly_faults.py               200 trials
    python tests/bench/fly_faults.py --json

Each trial starts `kneecall fly --no-screen --json` in a process of its own on sound at real pace,
reads the rows that it says are durable, strikes at a random moment, and then asks: is every call
that was told in the journal; how much of the sound that had been played is not on the disk; does the
journal verify; does the next start resume the flight on its card. The recogniser is replaced by a
script (a call every 0.15 s), so that there is always something to lose and the trial is short.
The full disk is a small memory file system, mounted in a name space of its own (Linux; needs
`unshare` or root); without that, the trial says so and counts as not done.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs"
SECONDS = 60.0
ALLOWED_LOSS_S = 1.0
LATEST_S = 3.0  # of flight before the strike
BLOCKS_PER_S = 20
KINDS = ("kill -9", "SIGTERM", "full disk")
FLIGHT = "day1_baseline"
# Full disk: room for the journal's first megabytes and a few seconds of sound, no more.
DISK_KB = (1500, 9000)

# The child: the real verb with a script for a recogniser and a tape for a microphone.
CHILD = """
import sys, threading, time
import numpy as np
import logger_app.workflows.flight_session as fs
from logger_app.records.calls import CallKind, HeardCall

class Script:
    name = "script"
    def __init__(self): self.n = self.told = 0
    def feed(self, pcm):
        self.n += len(pcm)
        calls = []
        while (self.told + 1) * 2400 <= self.n:
            self.told += 1
            at = self.told * 150_000_000
            speed = 60 - self.told %% 15
            name, kind, value = ("on_condition", CallKind.EVENT, None) if self.told %% 40 == 1 else ("ias", CallKind.AIRSPEED, speed)
            calls.append(HeardCall(id="x", start_ns=at - 100_000_000, end_ns=at, kind=kind, name=name, value=value,
                                   unit="kt" if value else None, words=str(self.told)))
        return calls
    def finish(self): return []
    def partial(self): return ""

class Maker:
    engine_name = "script"
    class pack: id = "script/1"
    def __init__(self, *a): pass
    def __call__(self): return Script()
    def reader(self, confusions=()): return list

class Tape:
    name, paced, trouble = "tape", True, ""
    def __init__(self, path, paced=True): self.stopped = threading.Event()
    def start(self, blocks):
        self.thread = threading.Thread(target=self.play, args=(blocks,), daemon=True)
        self.thread.start()
    def play(self, blocks):
        began = time.monotonic()
        for k in range(int(%(seconds)f * 20)):
            self.stopped.wait(max(0, began + (k + 1) * 0.05 - time.monotonic()))
            if self.stopped.is_set(): return
            blocks.put(np.full(800, k %% 30000, np.int16))
            sys.stderr.write("."); sys.stderr.flush()   # one a block played
        blocks.end()
    def stop(self, within_s=None):
        self.stopped.set(); self.thread.join(within_s); return not self.thread.is_alive()

fs.EngineMaker = Maker
import logger_app.fly.capture.mic_wavfile as mw
mw.FileMicrophone = Tape
import logger_app.fly.capture.audio_writer as aw
if "%(reserve)s" != "None":
    aw.JOURNAL_BYTES = int("%(reserve)s")
from logger_app.__main__ import main
sys.exit(main(["fly", sys.argv[1], "--flight", "%(flight)s", "--no-screen", "--json", "--audio", "tape"]))
"""


def start(campaign: Path, reserve: int | None = None) -> subprocess.Popen:
    """Begin or resume the flight in a process of its own; what it says goes to files beside the campaign."""
    code = CHILD % {"seconds": SECONDS, "flight": FLIGHT, "reserve": reserve}
    out, err = (campaign.with_suffix(suffix).open("wb") for suffix in (".out", ".err"))
    with out, err:
        process = subprocess.Popen([sys.executable, "-c", code, str(campaign)], stdout=out, stderr=err, cwd=ROOT)
    process.campaign = campaign
    return process


def said_by(process: subprocess.Popen) -> tuple[str, str]:
    """What it has said so far: (standard output, standard error)."""
    return tuple(process.campaign.with_suffix(suffix).read_text("utf-8", "replace") for suffix in (".out", ".err"))


def rows_of(text: str) -> list[dict]:
    """The rows that were told; a line that the strike cut short was not."""
    rows = []
    for line in text.splitlines():
        try:
            rows.append(json.loads(line))
        except ValueError:
            continue
    return rows


def told_until(process: subprocess.Popen, moment_s: float, strike: signal.Signals) -> tuple[list[dict], int, str]:
    """Let it fly, strike, and give (rows told, blocks played, what it said)."""
    # In blocks of sound, not seconds: on a busy machine a process may not run at all for a while.
    began_s, from_block = time.monotonic(), said_by(process)[1].count(".")
    while process.poll() is None and time.monotonic() - began_s < 60:
        if said_by(process)[1].count(".") - from_block > moment_s * BLOCKS_PER_S:
            break
        time.sleep(0.005)
    played = said_by(process)[1].count(".")  # before the strike: what came after it may not be asked for
    process.send_signal(strike)
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    out, err = said_by(process)
    return rows_of(out), played, err.replace(".", "")


def judge(campaign: Path, told: list[dict], played: int, sound_matters: bool, resume: bool = True) -> list[str]:
    """What is wrong after a strike; nothing, one hopes."""
    from logger_app.errors import LoggerError
    from logger_app.logstore.audio_io import sound_duration_s
    from logger_app.logstore.store import Journal

    folder = campaign / "flights" / FLIGHT
    wrong = []
    try:
        with Journal.open(folder, read_only=True) as journal:
            kept = {row.id: row for row in journal.rows()}
    except LoggerError as err:
        return [f"the journal cannot be read: {err}"]
    calls = [row["id"] for row in told if row["row"] == "call"]
    lost = [id for id in calls if id not in kept]
    if lost:
        wrong.append(f"{len(lost)} of {len(calls)} accepted calls lost")
    missing = [row["id"] for row in told if row["row"] in ("step", "verdict") and row["id"] not in kept]
    if missing:
        wrong.append(f"{len(missing)} steps or verdicts lost")
    loss_s = played * 0.05 - sound_duration_s(folder)
    if sound_matters and loss_s > ALLOWED_LOSS_S:
        wrong.append(f"{loss_s:.2f} s of sound lost")
    # Struck before its first step, a flight has no card to go back to: it begins.
    begun = any(row.kind == "step" for row in kept.values())
    return wrong + _verified(folder) + (_resumes(campaign, "restarted" if begun else None) if resume else [])


def _verified(folder: Path) -> list[str]:
    """`kneecall store verify` on the flight, as it was left."""
    done = subprocess.run(
        [sys.executable, "-m", "logger_app", "store", "verify", str(folder)],
        check=False,
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    return [] if done.returncode == 0 else [f"verify: {(done.stdout + done.stderr).strip()[-300:]}"]


def _resumes(campaign: Path, first_step: str | None = "restarted") -> list[str]:
    """The next start goes on with the flight, on its card, in under five seconds."""
    process = start(campaign)
    told, _, said = told_until(process, 0.7, signal.SIGTERM)
    steps = [row for row in told if row["row"] == "step"]
    fitting = [row for row in steps if first_step in (None, row.get("step"))]
    if not fitting:
        return [f"not resumed: {said.strip()[-200:]}"]
    point = fitting[0]["point"]
    return [] if point == "A1" else [f"resumed on card {point}, not A1"]


def trial(kind: str, moment_s: float, chance: random.Random) -> list[str]:
    """One trial; gives what was wrong."""
    with tempfile.TemporaryDirectory() as made:
        campaign = Path(made) / "campaign"
        campaign.mkdir()
        if kind == "full disk":
            return _full_disk(campaign, moment_s, chance)
        shutil.copy(DEMO / "campaign.toml", campaign)
        strike = signal.SIGKILL if kind == "kill -9" else signal.SIGTERM
        process = start(campaign)
        told, played, said = told_until(process, moment_s, strike)
        if not played:
            return [f"did not start: {said.strip()[-200:]}"]
        wrong = judge(campaign, told, played, sound_matters=True)
        if kind == "SIGTERM" and process.returncode != 130:
            wrong.append(f"exit code {process.returncode}: {said.strip()[-200:]}")
        return wrong


def _full_disk(campaign: Path, moment_s: float, chance: random.Random) -> list[str]:
    """The disk fills up in flight, then the power goes; later there is room again."""
    size_kb = chance.randint(*DISK_KB)
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "none", str(campaign)], check=False
    ).returncode:
        return ["not done: a memory file system cannot be mounted here"]
    try:
        shutil.copy(DEMO / "campaign.toml", campaign)
        process = start(campaign, reserve=0)  # no room kept for the journal: the worst case
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline and not (campaign / "flights" / FLIGHT / "audio" / "0000.wav").exists():
            time.sleep(0.02)
        time.sleep(min(moment_s, 1.0))
        filler = campaign / "filler.bin"
        _fill(filler)
        free = shutil.disk_usage(campaign).free
        told, _, said = told_until(process, 1.5 + moment_s / 2, chance.choice((signal.SIGKILL, signal.SIGTERM)))
        wrong = judge(campaign, told, 0, sound_matters=False, resume=False)
        if free > 4096:
            wrong.append(f"the disk was not full ({free} bytes free)")
        if (campaign / "flights" / FLIGHT / "spare.tmp").exists():
            wrong.append("the journal never met the full disk: its spare room was not given up")
        if not any(row["row"] == "call" for row in told):
            wrong.append(f"no call was accepted at all: {said.strip()[-200:]}")
        filler.unlink(missing_ok=True)
        return wrong + _resumes(campaign)
    finally:
        subprocess.run(["umount", "-l", str(campaign)], check=False)


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as out:
        for size in (65536, 4096, 1):
            try:
                while out.write(b"\0" * size) == size:
                    pass
            except OSError:
                continue


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="50 trials instead of 200")
    parser.add_argument("--trials", type=int)
    parser.add_argument("--jobs", type=int, default=4, help="trials at a time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    if sys.platform.startswith("linux") and os.geteuid() != 0 and not os.environ.get("KNEECALL_UNSHARED"):
        # A name space of our own, in which a small disk may be mounted.
        os.execvpe("unshare", ["unshare", "-rm", sys.executable, *sys.argv], os.environ | {"KNEECALL_UNSHARED": "1"})
    chance = random.Random(args.seed)
    count = args.trials or (50 if args.quick else 200)
    kinds = [KINDS[k % len(KINDS)] for k in range(count)]
    plans = [(kind, chance.uniform(0.0, LATEST_S), random.Random(chance.random())) for kind in kinds]
    outcomes: Counter = Counter()
    faults = []
    # Most of a trial is waiting: several at a time, and the machine is as busy as in a real bad moment.
    with ThreadPoolExecutor(args.jobs) as pool:
        for k, wrong in enumerate(pool.map(lambda plan: trial(*plan), plans)):
            kind, moment_s, _ = plans[k]
            outcomes[kind, "wrong" if wrong else "right"] += 1
            if wrong:
                faults.append({"trial": k, "kind": kind, "moment_s": round(moment_s, 2), "wrong": wrong})
                print(f"trial {k} ({kind} at {moment_s:.2f} s): {'; '.join(wrong)}", file=sys.stderr, flush=True)
    table = [
        {"kind": kind, "trials": outcomes[kind, "right"] + outcomes[kind, "wrong"], "wrong": outcomes[kind, "wrong"]}
        for kind in KINDS
    ]
    if args.json:
        print(json.dumps({"trials": count, "table": table, "faults": faults}, indent=1))
    else:
        for row in table:
            print(f"{row['kind']:10}  {row['trials']:4} trials  {row['wrong']:3} wrong")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
