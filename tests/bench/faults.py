"""Faults at random moments of every verb that writes: nothing accepted is lost, what is damaged is named.

    python tests/bench/faults.py --quick           40 trials
    python tests/bench/faults.py --full            500 trials
    python tests/bench/faults.py --only "flipped bytes" --trials 20 --seed 3

Each trial copies a small flight, strikes, and asks what the record holds afterwards. The kinds:

kill -9          of `hear --into`, `review --set`, `reduce`, `report`, `fly`, at a random moment
power cut        the folder's files are copied, one by one, while `fly` writes: what a disk that is
                 found in the middle may hold (with a file system of its own: tests/fault/test_store_power_cut.py)
full disk        a limit on the size of any file stands in for it: the same failing write, no root needed
read-only        the flight's folder cannot be written (root gives up its right to write anywhere)
two processes    a second writer on the same flight
torn page        4 kB of the journal overwritten: `store verify` names it, `store rescue` saves the rest
flipped bytes    in journal or sound: the same
folder gone      the flight's folder is moved away while `fly` writes

A moment is drawn evenly over the time that the verb takes undisturbed on this machine.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from logger_app.errors import LogError, LoggerError
from logger_app.logstore.audio_io import SegmentWriter
from logger_app.logstore.recover import readable_rows, rescue, verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs"
FLIGHT = "day1_baseline"
LONGEST_S = 120
WORDS = """start_s,words
2,power idle
3,flap zero
10,on condition
12,sixty two
14,fifty nine
16,fifty seven
18,fifty five
20,fifty three
22,fifty one
24,buffet
25,break
28,recovered
"""


def verb(*words, **options) -> subprocess.Popen:
    """A verb in a process of its own; what it says is kept."""
    env = os.environ | {"KNEECALL_WHO": "a pilot", "KNEECALL_HOME": str(Path(words[1]).parent / "home")}
    return subprocess.Popen(
        [sys.executable, "-m", "logger_app", *map(str, words)], cwd=ROOT, env=env, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options,
    )  # fmt: skip


def finish(process: subprocess.Popen) -> tuple[int, str, str]:
    out, err = process.communicate(timeout=LONGEST_S)
    return process.returncode, out, err


class Bench:
    """What all trials start from: a campaign with one flight (30 s of sound, twelve calls), made once."""

    def __init__(self, folder: Path, chance: random.Random):
        self.chance, self.folder, self.took_s, self.count = chance, folder, {}, 0
        self.words = folder / "words.csv"
        self.words.write_text(WORDS, encoding="utf-8")
        self.made = folder / "made"
        (self.made / "flights").mkdir(parents=True)
        shutil.copy(DEMO / "campaign.toml", self.made)
        code, _, said = finish(verb("hear", self.words, "--into", self.made / "flights" / FLIGHT))
        if code:
            raise SystemExit(f"the bench cannot begin: {said}")
        import numpy as np

        with Journal.open(self.made / "flights" / FLIGHT) as journal, SegmentWriter(
            self.made / "flights" / FLIGHT, journal, segment_s=10
        ) as sound:
            sound.write(np.random.default_rng(1).integers(-2000, 2000, 30 * 16_000).astype(np.int16))
        # Sound to fly on: the recogniser has something to do, what it hears does not matter.
        from logger_app.sound_io import write_flac

        self.tape = folder / "tape.flac"
        write_flac(self.tape, np.random.default_rng(2).integers(-300, 300, 8 * 16_000).astype(np.int16))

    def campaign(self, empty: bool = False) -> Path:
        """A fresh copy; `empty` without the flight."""
        self.count += 1
        target = self.folder / f"t{self.count}" / "c"
        shutil.copytree(self.made, target)
        if empty:
            shutil.rmtree(target / "flights" / FLIGHT)
        return target

    def moment_s(self, name: str, words) -> float:
        """A random moment of a verb, over the time that it took undisturbed."""
        if name not in self.took_s:
            campaign = self.campaign(empty=name in ("hear --into", "fly"))
            began_s = time.monotonic()
            finish(verb(*words(campaign)))
            self.took_s[name] = time.monotonic() - began_s
        return self.chance.uniform(0.0, self.took_s[name])

    def verbs(self) -> dict:
        """Words of each verb that writes, by the campaign's folder."""
        return {
            "hear --into": lambda c: ("hear", self.words, "--into", c / "flights" / FLIGHT),
            "review --set": lambda c: ("review", c / "flights" / FLIGHT, "--set", _airspeed(c), "60", "--why", "trial"),
            "reduce": lambda c: ("reduce", c),
            "report": lambda c: ("report", c, "-o", c / "out"),
            "fly": lambda c: ("fly", c, "--flight", FLIGHT, "--no-screen", "--audio", self.tape, "--fast", "--json"),
        }


def _airspeed(campaign: Path) -> str:
    if not (campaign / "flights" / FLIGHT / JOURNAL_FILE).is_file():
        return "none"
    rows = readable_rows(campaign / "flights" / FLIGHT)[0]
    return next(row.id for row in rows if row.body.get("name") == "ias")


def _sums(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name not in ("flight.lock", f"{JOURNAL_FILE}-shm", f"{JOURNAL_FILE}-wal")
    }


def _facts(flight: Path) -> dict:
    """Rows by id, as they can be read; none where there is no journal."""
    return {row.id: row for row in readable_rows(flight)[0]} if (flight / JOURNAL_FILE).is_file() else {}


# ---- the kinds of trial; each gives the list of what was wrong ---------------------------------------


def kill(bench: Bench, name: str) -> list[str]:
    """kill -9: nothing that stood is changed, results are old or whole, and the verb works again."""
    words = bench.verbs()[name]
    moment_s = bench.moment_s(name, words)
    campaign = bench.campaign(empty=name in ("hear --into", "fly"))
    flight = campaign / "flights" / FLIGHT
    before = _facts(flight)
    asked = words(campaign)
    process = verb(*asked)
    try:
        process.wait(moment_s)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
    _, out, _ = finish(process)
    wrong = _stands(before, flight)
    if name == "fly":
        wrong += _told(out, flight)
    if (flight / JOURNAL_FILE).is_file() and _facts(flight) and not (health := verify(flight)).ok:
        wrong.append(f"does not verify: {health.faults[0]}")
    wrong += _whole_or_absent(campaign)
    again = words(campaign)
    if name == "hear --into" and _facts(flight):
        return wrong  # begun: whether it may be heard again is the verb's to say
    code, _, said = finish(verb(*again))
    if code and "is there already" not in said:
        wrong.append(f"does not work again: {said.strip()[-200:]}")
    return wrong


def _told(out: str, flight: Path) -> list[str]:
    """Rows that were printed as durable and are not there."""
    told = set()
    for line in out.splitlines():
        try:
            row = json.loads(line)
        except ValueError:
            continue  # cut short by the strike
        told |= {row["id"]} if row["row"] != "run" else set()
    lost = told - set(_facts(flight))
    return [f"told and lost: {sorted(lost)}"] if lost else []


def _stands(before: dict, flight: Path) -> list[str]:
    after = _facts(flight)
    lost = [id for id, row in before.items() if after.get(id) != row]
    return [f"rows lost or changed: {lost}"] if lost else []


def _whole_or_absent(campaign: Path) -> list[str]:
    wrong = []
    for path in campaign.rglob("*.json"):
        try:
            json.loads(path.read_text("utf-8"))
        except ValueError:
            wrong.append(f"half written: {path.relative_to(campaign)}")
    page = campaign / "out" / "report.html"
    if page.is_file() and "</html>" not in page.read_text("utf-8"):
        wrong.append("half written: report.html")
    return wrong


def power_cut(bench: Bench) -> list[str]:
    """Files copied while they are written: a prefix of what was told, or named damage; never a wrong row."""
    campaign = bench.campaign()
    flight, found = campaign / "flights" / FLIGHT, campaign.parent / "found"
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(flight)], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    writer.stdout.readline()
    time.sleep(bench.chance.uniform(0, 0.4))
    last = 0
    for _ in range(bench.chance.randint(1, 20)):
        last = int(writer.stdout.readline() or last)
    # The log before the journal: the order in which a checkpoint makes them safe.
    found.mkdir()
    for name in (f"{JOURNAL_FILE}-wal", JOURNAL_FILE):
        if (flight / name).is_file():
            shutil.copy(flight / name, found)
    shutil.copytree(flight / "audio", found / "audio")
    writer.kill()
    writer.wait()
    rows, lost = readable_rows(found)
    notes = [row.body["k"] for row in rows if row.kind == "note" and "k" in row.body]
    wrong = []
    if notes != list(range(len(notes))):
        wrong.append(f"holes in what was read: {notes}")
    if len(notes) < last and not lost and verify(found).ok:
        wrong.append(f"{last - len(notes)} rows lost and nothing said")
    return wrong + _stands(_facts(bench.made / "flights" / FLIGHT), found)


WRITER = """
import sys
from pathlib import Path
from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
with Journal.open(Path(sys.argv[1])) as journal:
    k = 0
    while True:
        journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body={"k": k, "text": "x" * (k * 97 % 5000)})])
        k += 1
        print(k, flush=True)
"""


def full_disk(bench: Bench) -> list[str]:
    """A write that fails at a random byte: exit code 1 and one sentence; all that stood stands."""
    name = bench.chance.choice(list(bench.verbs()))
    campaign = bench.campaign(empty=name in ("hear --into", "fly"))
    flight = campaign / "flights" / FLIGHT
    before = _facts(flight)
    limit = bench.chance.randint(200, 120_000)

    def small() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    code, out, said = finish(verb(*bench.verbs()[name](campaign), preexec_fn=small))
    wrong = [*_stands(before, flight), *_whole_or_absent(campaign)]
    if "Traceback" in said:
        wrong.append(f"{name}, {limit} bytes: traceback: {said.strip()[-300:]}")
    if code not in (0, 1):
        wrong.append(f"{name}, {limit} bytes: exit code {code}: {said.strip()[-200:]}")
    if name == "fly" and code == 0:
        wrong += _told(out, flight)
    left = [p.name for p in campaign.rglob("*") if p.name.endswith((".tmp", ".part"))]
    return wrong + ([f"{name}: left behind {left}"] if left else [])


def read_only(bench: Bench) -> list[str]:
    """Reading goes on; writing is refused in a sentence; nothing changes."""
    campaign = bench.campaign()
    flight = campaign / "flights" / FLIGHT
    name = bench.chance.choice(["review --list", "review --set", "store verify", "reduce", "fly"])
    words = {
        **bench.verbs(), "review --list": lambda c: ("review", flight, "--list"), "store verify": lambda c: ("store", "verify", flight),
    }[name](campaign)  # fmt: skip
    before = _sums(campaign)
    for path in [campaign, *campaign.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    code, _, said = finish(verb(*words, preexec_fn=_bound_by_permissions))
    for path in [campaign, *campaign.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    wrong = [] if _sums(campaign) == before else [f"{name}: changed a folder that cannot be written"]
    expected = 0 if name in ("review --list", "store verify") else 1
    if code != expected or "Traceback" in said:
        wrong.append(f"{name}: exit code {code}, not {expected}: {said.strip()[-200:]}")
    return wrong


def _bound_by_permissions() -> None:
    """Root may write anywhere: give up the capability that says so (Linux, CAP_DAC_OVERRIDE)."""
    if os.geteuid() == 0:
        import ctypes

        ctypes.CDLL(None).prctl(24, 1, 0, 0, 0)  # PR_CAPBSET_DROP


def two_processes(bench: Bench) -> list[str]:
    """The second writer is refused, readers are not, and what the first writes is whole."""
    campaign = bench.campaign()
    flight = campaign / "flights" / FLIGHT
    wrong = []
    with Journal.open(flight):
        code, _, said = finish(verb(*bench.verbs()["review --set"](campaign)))
        if code != 1 or "writing" not in said:
            wrong.append(f"second writer: exit code {code}: {said.strip()[-200:]}")
        code, _, said = finish(verb("review", flight, "--list"))
        if code:
            wrong.append(f"reader: exit code {code}: {said.strip()[-200:]}")
    racers = [verb(*bench.verbs()["review --set"](campaign)) for _ in range(2)]
    codes = sorted(finish(racer)[0] for racer in racers)
    taken = sum(row.kind == "correction" for row in _facts(flight).values())
    if codes not in ([0, 0], [0, 1]) or taken != codes.count(0):
        wrong.append(f"two at once: exit codes {codes}, {taken} corrections kept")
    return wrong + ([] if verify(flight).ok else ["does not verify"])


def torn_page(bench: Bench) -> list[str]:
    """A page of the journal is noise."""
    campaign = bench.campaign()
    path = campaign / "flights" / FLIGHT / JOURNAL_FILE
    data = bytearray(path.read_bytes())
    page = bench.chance.randrange(len(data) // 4096)
    data[page * 4096 : page * 4096 + 4096] = bench.chance.randbytes(4096)
    path.write_bytes(data)
    return _damaged(bench, campaign, "page")


def flipped_bytes(bench: Bench) -> list[str]:
    """One to five bits, in the journal or in sound."""
    campaign = bench.campaign()
    flight = campaign / "flights" / FLIGHT
    path = bench.chance.choice([flight / JOURNAL_FILE, *sorted((flight / "audio").iterdir())])
    data = bytearray(path.read_bytes())
    for _ in range(bench.chance.randint(1, 5)):
        data[bench.chance.randrange(len(data))] ^= 1 << bench.chance.randrange(8)
    path.write_bytes(data)
    return _damaged(bench, campaign, path.name)


def _damaged(bench: Bench, campaign: Path, what: str) -> list[str]:
    """What is read is what was written; what is missing is named; the rest can be saved and used."""
    flight, whole = campaign / "flights" / FLIGHT, _facts(bench.made / "flights" / FLIGHT)
    got, wrong = _facts(flight), []
    if any(whole.get(id) != row for id, row in got.items()):
        wrong.append(f"{what}: a row that nobody wrote was read")
    try:
        named = not verify(flight).ok
    except LoggerError:
        named = True
    if len(got) < len(whole) and not named:
        wrong.append(f"{what}: {len(whole) - len(got)} rows gone and verify says whole")
    try:
        rescue(flight, campaign / "flights" / "saved")
    except LogError as err:
        return wrong if not got else [*wrong, f"{what}: not saved: {err}"]
    if not verify(campaign / "flights" / "saved").ok:
        wrong.append(f"{what}: what was saved does not verify")
    saved = {row.body.get("id", id) for id, row in _facts(campaign / "flights" / "saved").items()}
    lost = [id for id, row in got.items() if row.kind == "call" and row.body["id"] not in saved]
    return wrong + ([f"{what}: readable and not saved: {lost}"] if lost else [])


def folder_gone(bench: Bench) -> list[str]:
    """The flight's folder is moved away in flight: no traceback, and what was told is where it went."""
    campaign = bench.campaign(empty=True)
    flight = campaign / "flights" / FLIGHT
    process = verb(*bench.verbs()["fly"](campaign))
    deadline_s = time.monotonic() + LONGEST_S
    while not (flight / "audio").is_dir() and process.poll() is None and time.monotonic() < deadline_s:
        time.sleep(0.01)
    time.sleep(bench.chance.uniform(0, 0.5))
    if flight.is_dir():
        flight.rename(campaign / "away")
    _, out, said = finish(process)
    wrong = ["traceback: " + said.strip()[-300:]] if "Traceback" in said else []
    return wrong + (_told(out, campaign / "away") if (campaign / "away").is_dir() else [])


KINDS = {
    **{f"kill -9 {name}": (lambda bench, name=name: kill(bench, name)) for name in ("hear --into", "review --set", "reduce", "report", "fly")},
    "power cut": power_cut,
    "full disk": full_disk,
    "read-only": read_only,
    "two processes": two_processes,
    "torn page": torn_page,
    "flipped bytes": flipped_bytes,
    "folder gone": folder_gone,
}


def run(count: int, seed: int, only: str | None = None, tell=print) -> tuple[list[dict], list[dict]]:
    """So many trials, kind after kind: (table, faults)."""
    chance, outcomes, faults = random.Random(seed), Counter(), []
    kinds = [kind for kind in KINDS if not only or only in kind]
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), chance)
        for k in range(count):
            kind = kinds[k % len(kinds)]
            try:
                wrong = KINDS[kind](bench)
            except subprocess.TimeoutExpired:
                wrong = [f"hung for {LONGEST_S} s"]
            outcomes[kind, bool(wrong)] += 1
            if wrong:
                faults.append({"trial": k, "kind": kind, "wrong": wrong})
                tell(f"trial {k} ({kind}): {'; '.join(wrong)}")
            shutil.rmtree(bench.folder / f"t{bench.count}", ignore_errors=True)
    table = [
        {"kind": kind, "trials": outcomes[kind, True] + outcomes[kind, False], "wrong": outcomes[kind, True]} for kind in kinds
    ]
    return table, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--quick", action="store_true", help="40 trials")
    how.add_argument("--full", action="store_true", help="500 trials")
    how.add_argument("--trials", type=int)
    parser.add_argument("--only", help="only kinds with this in their name")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    count = args.trials or (500 if args.full else 40)
    table, faults = run(count, args.seed, args.only, (lambda text: None) if args.json else lambda text: print(text, flush=True))
    if args.json:
        print(json.dumps({"trials": count, "table": table, "faults": faults}, indent=1))
    else:
        for row in table:
            print(f"{row['kind']:22}  {row['trials']:4} trials  {row['wrong']:3} wrong")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
