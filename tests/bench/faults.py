"""Faults at random moments of every verb that writes: nothing accepted is lost, what is damaged is named.

    python tests/bench/faults.py --quick                       one trial of each family, as in the tests
    python tests/bench/faults.py --full --keep ROWS.jsonl      900 trials; goes on where it was stopped
    python tests/bench/faults.py --only "power cut" --trials 20 --seed 3

Each trial copies a small flight, strikes, and asks what the record holds afterwards, what was told, and
whether the verb then does its work. The kinds:

kill -9 VERB     at a random moment, or at one of the moments at which it touches the disk (`struck.py` counts them)
power cut VERB   the campaign lies on a file system of its own (ext4 on a loop file, mounted with what it may do worst:
                 `data=writeback,noauto_da_alloc,commit=1`); the verb is stopped, the file is copied, and the copy
                 mounted: what was not synced is not in it. `power cut, copied` needs no mount: the files are copied,
                 one by one, while they are written
full disk VERB   the disk is full at a random byte: a small memory file system, or a limit on the size of any file
read-only VERB   the folder may not be written (root gives up its right to), or the disk is mounted read-only
gone VERB        the flight's folder or the campaign is moved away, removed, unmounted, or its medium pulled out
torn page, flipped bytes, cut short
                 in the journal, in its log, in the sound: `store verify` names it, `store rescue` saves the rest
flipped page header
                 25 flips in the headers of the journal's pages: neither the journal nor a verb gives another result
                 without a word
links VERB       a link to private files at each path that the verb writes, and at each folder above it: nothing
                 outside the campaign is changed. Which paths these are is seen with strace (`planted.py`)
pipes VERB       a pipe in the place of each file that the verb reads: nothing waits, and a sentence names it
microphone       unplugged, stalling, absent, overflowing, a library that raises: the real capture layer on a sound
                 card that does so; every block says when it was spoken, and must lie there on the flight clock
clocks           the wall clock set by minutes and hours, either way; the monotonic clock as well; the machine asleep
second writer    a second program on a flight that is flown: refused if it writes, answered if it reads
two at once      the same verb twice at the same moment
blocked output and frozen sound
                 nobody reads what `fly` prints, or the loudspeaker is not responding: calls are saved when they are made,
                 the flight ends when it is asked to, and what was not printed or played is told
sound that ended early
                 no room for sound, or its files gone: a flight that goes on lies behind all that its rows know

Trial k of a kind with a seed is drawn alike each time (`--from K --trials 1` runs it alone). Power cuts, pulled media
and small disks need root and loop devices; without, a trial counts as not done and the table says so.
"""

from __future__ import annotations

import argparse
import fcntl
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
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from logger_app.domain.flight_time import LATE_CALL_NS
from logger_app.errors import LogError, LoggerError
from logger_app.logstore.audio_io import SegmentWriter, list_segments, read_sound, sound_duration_s
from logger_app.logstore.recover import readable_rows, rescue, verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
from tests.bench import planted
from tests.made_campaign import WORDS

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs"
STRUCK = Path(__file__).with_name("struck.py")
FLIGHT = "day1_baseline"
LONGEST_S = 120
RATE_HZ, BLOCK_S = 16_000, 0.05
DISK_MB = 48
# Sound is synced every half second, and a call is told when its sound has been written.
SOUND_BEHIND_S = 0.6
NOT_DONE = "not done: "


def run_verb(words, plan: dict | None, folder: Path, **options) -> tuple[int, str, str]:
    """A verb in a process of its own, to its end: (exit code, standard output, standard error)."""
    return finish(start_verb(words, plan, folder, **options))


def start_verb(words, plan: dict | None, folder: Path, under: Path | None = None, **options) -> subprocess.Popen:
    """Begin a verb, by the plan of `struck.py` if there is one; what it says is kept in files.

    `under`: a file for what strace sees of it.
    """
    env = os.environ | {
        "KNEECALL_WHO": "a pilot",
        "KNEECALL_HOME": str(folder / "home"),
        "PYTHONUNBUFFERED": "1",
        "TMPDIR": str(folder),
        "OPENBLAS_NUM_THREADS": "1",
    }
    program = ["-m", "logger_app"]
    number = _next()
    if plan:
        path = folder / f"plan{number}.json"
        path.write_text(json.dumps(plan), encoding="utf-8")
        program = [str(STRUCK), str(path)]
    line = [sys.executable, *program, *map(str, words)]
    # Files, not pipes: a full pipe would stop a verb that nobody reads.
    out, err = (folder / f"{number}.{name}" for name in ("out", "err"))
    with out.open("wb") as to_out, err.open("wb") as to_err:
        streams = {"stdout": to_out, "stderr": to_err, "stdin": subprocess.DEVNULL}
        process = subprocess.Popen(
            planted.traced(line, under) if under else line, cwd=ROOT, env=env, **(streams | options)
        )
    process.said = out, err
    return process


def finish(process: subprocess.Popen) -> tuple[int, str, str]:
    """Wait for its end; one that uses no processor for so long hangs, however busy the machine is."""
    used_s, since_s = 0.0, time.monotonic()
    while process.poll() is None:
        try:
            process.wait(1.0)
        except subprocess.TimeoutExpired:
            if (now_s := _processor_s(process.pid)) > used_s + 0.1:
                used_s, since_s = now_s, time.monotonic()
            if time.monotonic() - since_s > LONGEST_S:
                process.kill()
                process.wait()
                raise subprocess.TimeoutExpired(process.args, LONGEST_S) from None
    return process.returncode, *(path.read_text("utf-8", "replace") for path in process.said)


def _processor_s(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


_COUNT, _LOCK = [0], threading.Lock()


def _next() -> int:
    with _LOCK:
        _COUNT[0] += 1
        return _COUNT[0]


class Verb:
    """One way to call a verb: what it needs before, its words by the campaign's folder, a plan for the child."""

    def __init__(self, name: str, words, before=lambda bench, campaign: None, **plan):
        self.name, self.words, self.before, self.plan = name, words, before, plan
        self.took_s, self.steps = None, 0


class Bench:
    """What all trials start from: a campaign with one flight (a minute of sound, twelve calls), made once."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.words, self.made = folder / "words.csv", folder / "made"
        self.words.write_text(WORDS, encoding="utf-8")
        (self.made / "flights").mkdir(parents=True)
        shutil.copy(DEMO / "campaign.toml", self.made)
        flight = self.made / "flights" / FLIGHT
        code, _, said = run_verb(("hear", self.words, "--into", flight), None, folder)
        if code:
            raise SystemExit(f"the bench cannot begin: {said}")
        chance = np.random.default_rng(1)
        self.sound = _clicks(chance, 60.0)
        with Journal.open(flight) as journal, SegmentWriter(flight, journal, segment_s=20) as sound:
            sound.write(self.sound)
        self._tapes(chance)
        self._crashed()
        for words in (("reduce", self.made), ("report", self.made, "-o", folder / "report")):
            code, _, said = run_verb(words, None, folder)
            if code:
                raise SystemExit(f"the bench cannot begin: {said}")
        shutil.rmtree(self.made / "results")
        self.verbs = _verbs(self)
        self.all_verbs = self.verbs | _other_verbs(self)
        self._measuring = threading.Lock()

    def _tapes(self, chance: np.random.Generator) -> None:
        from logger_app.io.sound import open_sound, write_flac

        # Sound to fly on: what is heard in it is the script's. Sound to hear: people who call.
        self.tape, self.spoken, self.camera = (self.folder / name for name in ("tape.flac", "spoken.flac", "wing.mp4"))
        write_flac(self.tape, chance.integers(-300, 300, 8 * RATE_HZ).astype(np.int16))
        with open_sound(DEMO / "day1_baseline.opus") as stream:
            write_flac(self.spoken, next(iter(stream.blocks(56.0)))[44 * RATE_HZ :])
        _write_camera(self.camera, self.sound[5 * RATE_HZ : 50 * RATE_HZ], chance)

    def _crashed(self) -> None:
        """The flight as a kill leaves it: most of its rows in the journal's log."""
        work = self.folder / "work"
        self.crashed = self.folder / "crashed"
        shutil.copytree(self.made, work)
        with Journal.open(work / "flights" / FLIGHT) as journal:
            for k in range(60):
                body = {"k": k, "start_ns": 0, "end_ns": 0, "text": "x" * (k * 97 % 3000)}
                journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body=body)])
            shutil.copytree(work, self.crashed)
        shutil.rmtree(work)

    def measure(self, verb: Verb) -> Verb:
        """How long a verb takes undisturbed, and how often it touches the disk."""
        with self._measuring:
            if verb.took_s is None:
                folder = self.folder / f"m{_next()}"
                campaign = folder / "c"
                shutil.copytree(self.made, campaign)
                verb.before(self, campaign)
                plan = verb.plan | {"under": str(folder), "steps": str(folder / "steps")}
                began_s = time.monotonic()
                code, _, said = run_verb(verb.words(campaign), plan, folder)
                if code:
                    raise SystemExit(f"{verb.name} does not work undisturbed: {said}")
                verb.took_s, verb.steps = time.monotonic() - began_s, int((folder / "steps").read_text())
                shutil.rmtree(folder)
        return verb


def _clicks(chance: np.random.Generator, seconds: float) -> np.ndarray:
    """Noise with knocks in it, by which two recordings of it can be told to be of the same."""
    pcm = chance.normal(0, 60, round(seconds * RATE_HZ))
    for at in chance.integers(0, len(pcm) - 3000, round(seconds * 2)):
        pcm[at : at + 3000] += chance.normal(0, 6000, 3000) * np.exp(-np.arange(3000) / 500)
    return np.clip(pcm, -32000, 32000).astype(np.int16)


def _write_camera(path: Path, pcm: np.ndarray, chance: np.random.Generator) -> None:
    import av

    with av.open(str(path), "w") as box:
        picture = box.add_stream("libx264", rate=10, options={"preset": "ultrafast"})
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        sound = box.add_stream("aac", rate=RATE_HZ, layout="mono")
        for k in range(len(pcm) * 10 // RATE_HZ):
            frame = av.VideoFrame.from_ndarray(chance.integers(0, 255, (48, 64, 3)).astype(np.uint8), format="rgb24")
            frame.pts = k
            box.mux(picture.encode(frame))
        for at in range(0, len(pcm) - 1023, 1024):
            frame = av.AudioFrame.from_ndarray(pcm[None, at : at + 1024], format="s16", layout="mono")
            frame.sample_rate, frame.pts = RATE_HZ, at
            box.mux(sound.encode(frame))
        for stream in (picture, sound):
            box.mux(stream.encode(None))


# ---- the verbs ---------------------------------------------------------------------------------------


def _flight(campaign: Path) -> Path:
    return campaign / "flights" / FLIGHT


def _no_flight(bench: Bench, campaign: Path) -> None:
    shutil.rmtree(_flight(campaign))


def _old_report(bench: Bench, campaign: Path) -> None:
    shutil.copytree(bench.folder / "report", campaign / "out")


def _broken(bench: Bench, campaign: Path) -> None:
    path = _flight(campaign) / "audio" / "0001.wav"
    data = bytearray(path.read_bytes())
    data[5000] ^= 4
    path.write_bytes(data)


def _airspeed(campaign: Path) -> str:
    rows = readable_rows(_flight(campaign))[0] if (_flight(campaign) / JOURNAL_FILE).is_file() else []
    return next((row.id for row in rows if row.body.get("name") == "ias"), "none")


def _verbs(bench: Bench) -> dict[str, list[Verb]]:
    """Each verb that writes, in the ways in which it is called."""
    fly = lambda c: ("fly", c, "--flight", FLIGHT, "--no-screen", "--audio", bench.tape, "--fast", "--json")
    review = lambda *act: lambda c: ("review", _flight(c), *(_airspeed(c) if word is None else word for word in act))
    hear = lambda file: lambda c: ("hear", file, "--into", _flight(c))
    store = lambda job, *more: lambda c: ("store", job, _flight(c), *more)
    report = lambda c: ("report", c, "-o", c / "out")
    return {
        "fly": [Verb("fly", fly, _no_flight, script=True, reserve=0), Verb("fly", fly, script=True, reserve=0)],
        "hear": [
            Verb("hear", hear(bench.words), _no_flight),
            Verb("hear", hear(bench.spoken), _no_flight),
            Verb("hear", hear(bench.spoken)),
        ],
        "review": [
            Verb("review", review("--set", None, "60", "--why", "trial")),
            Verb("review", review("--reject", None)),
            Verb("review", lambda c: ("review", _flight(c), "--export", c / "calls.csv")),
        ],
        "sync": [
            Verb("sync", lambda c: ("sync", _flight(c), bench.camera)),
            Verb("sync", lambda c: ("sync", _flight(c), bench.camera, "--offset", "5")),
        ],
        "reduce": [Verb("reduce", lambda c: ("reduce", c))],
        "report": [Verb("report", report), Verb("report", report, _old_report)],
        "compress": [Verb("compress", store("compress"))],
        "forget-sound": [Verb("forget-sound", store("forget-sound"))],
        "rescue": [Verb("rescue", store("rescue"), _broken)],
        "merge": [Verb("merge", lambda c: ("store", "merge", _flight(c), c / "copy"), _copied)],
    }


def _other_verbs(bench: Bench) -> dict[str, list[Verb]]:
    """Verbs that write little or nothing in a campaign: for links and pipes only."""
    table = lambda c: ("review", _flight(c), "--import", c / "calls.csv")
    return {
        "plan": [Verb("plan", lambda c: ("plan", c)), Verb("plan", lambda c: ("plan", c, "--cards", c / "cards.pdf"))],
        "preflight": [Verb("preflight", lambda c: ("preflight", c, "--no-screen", "--acknowledge", "a pilot"))],
        "table": [Verb("table", table, _exported)],
        "verify": [Verb("verify", lambda c: ("store", "verify", c))],
        "list": [Verb("list", lambda c: ("store", "list", c))],
        "clip": [Verb("clip", lambda c: ("report", c, "-o", c / "out", "--clip", f"{FLIGHT}:1"), _synced)],
        "compare": [Verb("compare", lambda c: ("compare", c, "--point", "A1", "--no-clip"), _two_synced)],
        "traced reduce": [Verb("reduce", lambda c: ("reduce", c), _with_a_trace)],
    }


def _copied(bench: Bench, campaign: Path) -> None:
    """Another copy of the flight, in which somebody corrected a call."""
    copy = campaign / "flights" / "copy"
    shutil.copytree(_flight(campaign), copy)
    run_verb(("review", copy, "--who", "ben", "--reject", _airspeed(campaign)), None, bench.folder)
    copy.rename(campaign / "copy")


def _exported(bench: Bench, campaign: Path) -> None:
    run_verb(("review", _flight(campaign), "--export", campaign / "calls.csv"), None, bench.folder)
    table = campaign / "calls.csv"
    table.write_text(table.read_text("utf-8").replace(",59,", ",58,", 1), "utf-8")


def _synced(bench: Bench, campaign: Path) -> None:
    run_verb(("sync", _flight(campaign), bench.camera, "--offset", "5"), None, bench.folder)


def _two_synced(bench: Bench, campaign: Path) -> None:
    other = campaign / "flights" / "day2_cuffs"
    for words in (("hear", bench.words, "--into", other), ("sync", other, bench.camera, "--offset", "5")):
        run_verb(words, None, bench.folder)
    _synced(bench, campaign)


def _with_a_trace(bench: Bench, campaign: Path) -> None:
    traces = _flight(campaign) / "traces"
    traces.mkdir()
    lines = [f"{k},{62 - max(0, k - 12) * 0.9:.1f}" for k in range(60)]
    (traces / "efis.csv").write_text("\n".join(["flight_s,ias_kt", *lines]), "utf-8")


# ---- what is asked after a strike --------------------------------------------------------------------


def _sums(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name not in ("flight.lock", f"{JOURNAL_FILE}-shm", f"{JOURNAL_FILE}-wal")
    }


def _facts(flight: Path) -> dict:
    """Rows by id, as they can be read; none where there is no journal."""
    return {row.id: row for row in readable_rows(flight)[0]} if (flight / JOURNAL_FILE).is_file() else {}


def _stands(before: dict, flight: Path) -> list[str]:
    after = _facts(flight)
    lost = [id for id, row in before.items() if after.get(id) != row]
    return [f"rows lost or changed: {lost}"] if lost else []


def _whole(flight: Path) -> list[str]:
    if not (flight / JOURNAL_FILE).is_file() or not _facts(flight):
        return []
    health = verify(flight)
    return [] if health.ok else [f"does not verify: {health.faults[0]}"]


def _told(name: str, campaign: Path, code: int | None, out: str, said: str) -> list[str]:
    """What the verb said was done, and is not there."""
    flight = _flight(campaign)
    facts = _facts(flight)
    wrong = []
    if name == "fly":
        rows = [json.loads(line) for line in out.splitlines() if line.startswith("{") and line.endswith("}")]
        lost = [row["id"] for row in rows if row["row"] != "run" and row["id"] not in facts]
        wrong += [f"told and lost: {lost}"] if lost else []
        calls = [row for row in rows if row["row"] == "call"]
        named = any(row.kind == "gap" and "not recorded" in row.body["why"] for row in facts.values())
        if (
            calls
            and facts
            and not lost
            and not named
            and sound_duration_s(flight) < calls[-1]["flight_s"] - SOUND_BEHIND_S
        ):
            wrong.append(f"a call at {calls[-1]['flight_s']} s told, and {sound_duration_s(flight)} s of sound kept")
    if name == "review":
        told = [line.split(":")[0] for line in said.splitlines() if line.startswith("fix-")]
        wrong += [f"told and lost: {id}" for id in told if id not in facts]
        if "written:" in said and not (campaign / "calls.csv").is_file():
            wrong.append("exported and lost: calls.csv")
    if code != 0:
        return wrong
    kinds = Counter(str(row.kind) for row in facts.values())
    if name == "hear" and not kinds["call"]:
        wrong.append("heard and lost")
    if name == "sync" and not kinds["clock_map"]:
        wrong.append("linked and lost")
    if name == "reduce" and not (campaign / "results" / "reduction.json").is_file():
        wrong.append("reduced and lost")
    if name == "report":
        wrong += _report_agrees(campaign / "out")
    if name == "compress" and not all(s.file.endswith(".flac") for s in list_segments(flight)):
        wrong.append("compressed and lost")
    if name == "forget-sound":
        wrong += _forgotten(campaign)
    if name == "merge" and not kinds["correction"]:
        wrong.append("joined and lost")
    if name == "rescue" and not _facts(flight.with_name(f"{FLIGHT}_rescued")):
        wrong.append("rescued and lost")
    return wrong


def _forgotten(campaign: Path) -> list[str]:
    left = [
        str(p.relative_to(campaign))
        for p in campaign.rglob("*")
        if p.suffix in (".wav", ".flac", ".pcm", ".tmp", ".part")
    ]
    wrong = [f"forgotten and still there: {left}"] if left else []
    return (
        wrong
        if any(row.kind == "erased" for row in _facts(_flight(campaign)).values())
        else [*wrong, "no word that it was forgotten"]
    )


def _report_agrees(out: Path) -> list[str]:
    try:
        sums = json.loads((out / "versions.json").read_text("utf-8"))["files_sha256"]
        bad = [name for name, told in sums.items() if hashlib.sha256((out / name).read_bytes()).hexdigest() != told]
    except (OSError, ValueError, KeyError) as err:
        return [f"report told and not there: {err!r}"]
    return [f"report's files are not what it says: {bad}"] if bad else []


def _old_or_new(campaign: Path, had_report: bool) -> list[str]:
    """Results are whole: no half of a file is ever under its name."""
    wrong = []
    for path in campaign.rglob("*.json"):
        if ".part" in path.name or any(part.startswith(".") for part in path.relative_to(campaign).parts):
            continue
        try:
            json.loads(path.read_text("utf-8"))
        except ValueError:
            wrong.append(f"half written: {path.relative_to(campaign)}")
    page = campaign / "out" / "index.html"
    if page.is_file() and "</html>" not in page.read_text("utf-8"):
        wrong.append("half written: index.html")
    if had_report and not page.is_file():
        wrong.append("the old report is gone and there is no new one")
    table = campaign / "calls.csv"
    if table.is_file() and not table.read_bytes().endswith(b"\n"):
        wrong.append("half written: calls.csv")
    return wrong


def _again(verb: Verb, campaign: Path, folder: Path) -> list[str]:
    """Undisturbed, the verb now does its work."""
    words = [*verb.words(campaign), *(["--force"] if "--export" in verb.words(campaign) else [])]
    code, out, said = run_verb(words, {**verb.plan} or None, folder)
    if code and any(
        text in said for text in ("already exists", "already exists", "is in flight", "nothing heard of it is left")
    ):
        # It was done before the strike, and may be done once only.
        return [] if verb.name == "rescue" else _whole(_flight(campaign))
    if code:
        return [f"does not work again: exit code {code}: {said.strip()[-300:]}"]
    return _told(verb.name, campaign, 0, out, said) + ([] if verb.name == "rescue" else _whole(_flight(campaign)))


class Trial:
    """One trial: its own chance, its own folder."""

    def __init__(self, bench: Bench, kind: str, seed: int, k: int):
        self.bench, self.kind = bench, kind
        self.chance = random.Random(f"{seed} {kind} {k}")
        self.folder = bench.folder / f"t{_next()}"
        self.folder.mkdir()

    def copy(self, source: Path | None = None, under: Path | None = None) -> Path:
        """A fresh campaign."""
        campaign = (under or self.folder) / "c"
        shutil.copytree(source or self.bench.made, campaign)
        return campaign

    def pick(self, name: str) -> Verb:
        """One of the ways in which a verb is called, measured."""
        return self.bench.measure(self.chance.choice(self.bench.verbs[name]))

    def moment(self, verb: Verb) -> tuple[dict, float | None]:
        """A step of the plan, or seconds after the start: most strikes where the disk is touched."""
        if self.chance.random() < 0.25:
            return {}, self.chance.uniform(0.2, 1.1) * verb.took_s
        late_s = self.chance.choice([0, 0, self.chance.uniform(0, 0.02)])
        return {"at": self.chance.randint(1, max(1, verb.steps)), "late_s": late_s}, None


# ---- the kinds of trial; each gives the list of what was wrong ---------------------------------------


def kill(trial: Trial, name: str) -> list[str]:
    """kill -9: nothing that stood is changed, results are old or whole, and the verb works again."""
    verb = trial.pick(name)
    campaign = trial.copy()
    verb.before(trial.bench, campaign)
    before, had_report = _facts(_flight(campaign)), (campaign / "out").is_dir()
    at, after_s = trial.moment(verb)
    plan = verb.plan | ({"under": str(trial.folder), "do": "kill"} | at if at else {})
    process = start_verb(verb.words(campaign), plan, trial.folder)
    if after_s is not None:
        try:
            process.wait(after_s)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
    code, out, said = finish(process)
    return _after(trial, verb, campaign, before, had_report, code, out, said)


def _after(trial, verb, campaign, before, had_report, code, out, said) -> list[str]:
    flight = _flight(campaign)
    wrong = [*_stands(before, flight), *_told(verb.name, campaign, code, out, said), *_old_or_new(campaign, had_report)]
    if "Traceback" in said:
        wrong.append(f"traceback: {said.strip()[-300:]}")
    if verb.name == "forget-sound" and any(row.kind == "erased" for row in _facts(flight).values()):
        pass  # what is left is named as a fault, and goes at the next try
    elif verb.name != "rescue":
        wrong += _whole(flight)
    return wrong or _again(verb, campaign, trial.folder)


@contextmanager
def _disk(trial: Trial, options: str = "loop,data=writeback,noauto_da_alloc,commit=1"):
    """A small file system of its own: (its image, where it is mounted), or None where that is not allowed."""
    image, place = trial.folder / "image", trial.folder / "disk"
    place.mkdir()
    if os.geteuid() or not shutil.which("mkfs.ext4"):
        yield None
        return
    with image.open("wb") as file:
        file.truncate(DISK_MB << 20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    if not _mount(image, place, options):
        yield None
        return
    try:
        yield image, place
    finally:
        _unmount(place)


def _mount(image, place: Path, options: str) -> bool:
    return (
        subprocess.run(["mount", "-o", options, str(image), str(place)], capture_output=True, check=False).returncode
        == 0
    )


def _unmount(place: Path) -> None:
    for how in ([], ["-l"]):
        if subprocess.run(["umount", *how, str(place)], capture_output=True, check=False).returncode == 0:
            return


def power_cut(trial: Trial, name: str) -> list[str]:
    """What was not synced is gone: what was told is there, what stood stands, and the verb works again."""
    verb = trial.pick(name)
    with _disk(trial) as disk:
        if disk is None:
            return [NOT_DONE + "no file system may be mounted here"]
        image, place = disk
        campaign = trial.copy(under=place)
        verb.before(trial.bench, campaign)
        before, had_report = _facts(_flight(campaign)), (campaign / "out").is_dir()
        os.sync()
        at, after_s = trial.moment(verb)
        if trial.chance.random() < 0.3:
            at, after_s = {}, 10 * LONGEST_S  # the power goes when the verb has just said that it is done
        plan = verb.plan | ({"under": str(place), "do": "stop"} | at if at else {})
        process = start_verb(verb.words(campaign), plan, trial.folder)
        code = _stopped_or_done(process, after_s)
        out, said = (path.read_text("utf-8", "replace") for path in process.said)
        copy = trial.folder / "found.image"
        shutil.copyfile(image, copy)
        if process.poll() is None:
            process.kill()
            process.wait()
    found = trial.folder / "disk"
    if not _mount(copy, found, "loop"):
        return ["the file system itself did not survive"]
    try:
        return _after(trial, verb, found / "c", before, had_report, code, out, said)
    finally:
        _unmount(found)


def _stopped_or_done(process: subprocess.Popen, after_s: float | None) -> int | None:
    """Wait until it has stopped itself, or stop it after some time; its exit code if it ended before."""
    until_s = time.monotonic() + 5 * LONGEST_S
    stop_s = time.monotonic() + (after_s or 10 * LONGEST_S)
    while time.monotonic() < until_s:
        if process.poll() is not None:
            return process.returncode
        state = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0]
        if state == "T":
            return None
        if time.monotonic() > stop_s:
            process.send_signal(signal.SIGSTOP)
        time.sleep(0.003)
    process.kill()
    raise subprocess.TimeoutExpired("verb", LONGEST_S)


def power_cut_copied(trial: Trial) -> list[str]:
    """Files copied while they are written: a prefix of what was told, or named damage; never a wrong row."""
    campaign = trial.copy()
    flight, found = _flight(campaign), trial.folder / "found"
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(flight)], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    writer.stdout.readline()
    time.sleep(trial.chance.uniform(0, 0.4))
    last = 0
    for _ in range(trial.chance.randint(1, 20)):
        last = int(writer.stdout.readline() or last)
    # The log before the journal: the order in which a checkpoint makes them safe.
    found.mkdir()
    for name in (f"{JOURNAL_FILE}-wal", JOURNAL_FILE):
        if (flight / name).is_file():
            shutil.copy(flight / name, found)
    shutil.copytree(flight / "audio", found / "audio")
    writer.kill()
    writer.wait()
    writer.stdout.close()
    rows, lost = readable_rows(found)
    notes = [row.body["k"] for row in rows if row.kind == "note" and "k" in row.body]
    wrong = []
    if notes != list(range(len(notes))):
        wrong.append(f"holes in what was read: {notes}")
    if len(notes) < last and not lost and verify(found).ok:
        wrong.append(f"{last - len(notes)} rows lost and nothing said")
    return wrong + _stands(_facts(_flight(trial.bench.made)), found)


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


def full_disk(trial: Trial, name: str) -> list[str]:
    """No room for the next byte: exit code 1 and one sentence; all that stood stands; with room it works."""
    verb = trial.pick(name)
    place = trial.folder / "disk"
    place.mkdir()
    small = trial.chance.random() < 0.6 and not os.geteuid()
    if (
        small
        and subprocess.run(["mount", "-t", "tmpfs", "none", str(place)], capture_output=True, check=False).returncode
    ):
        small = False
    try:
        campaign = trial.copy(under=place)
        verb.before(trial.bench, campaign)
        before, had_report = _facts(_flight(campaign)), (campaign / "out").is_dir()
        limit = trial.chance.randint(200, 120_000)
        if small:
            used = shutil.disk_usage(place).used
            room = trial.chance.choice([0, trial.chance.randint(0, 60_000), trial.chance.randint(0, 1_500_000)])
            subprocess.run(["mount", "-o", f"remount,size={used + room}", str(place)], check=True)

        def limited() -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

        code, out, said = run_verb(
            verb.words(campaign), verb.plan or None, trial.folder, **({} if small else {"preexec_fn": limited})
        )
        where = f"{room} bytes left" if small else f"files up to {limit} bytes"
        wrong = [
            *_stands(before, _flight(campaign)),
            *_old_or_new(campaign, had_report),
            *_told(name, campaign, code, out, said),
        ]
        wrong += _refused(name, code, said, where, (0, 1))
        left = [p.name for p in campaign.rglob("*") if ".part" in p.name or p.name.endswith(".tmp")]
        wrong += [f"{where}: left behind {left}"] if left else []
        if small:
            subprocess.run(["mount", "-o", "remount,size=200m", str(place)], check=True)
        return wrong or _again(verb, campaign, trial.folder)
    finally:
        if small:
            _unmount(place)


def _refused(name: str, code: int, said: str, where: str, codes: tuple[int, ...]) -> list[str]:
    wrong = []
    if "Traceback" in said or "Exception" in said:
        wrong.append(f"{where}: traceback: {said.strip()[-400:]}")
    if code not in codes:
        wrong.append(f"{where}: exit code {code}, not {codes}: {said.strip()[-300:]}")
    if (
        code == 1
        and name not in ("fly", "preflight")
        and not any(line.startswith("kneecall: ") for line in said.splitlines())
    ):
        wrong.append(f"{where}: no sentence says why: {said.strip()[-300:]}")
    return wrong


READERS = {
    "review --list": lambda c: ("review", _flight(c), "--list"),
    "store verify": lambda c: ("store", "verify", _flight(c)),
    "store list": lambda c: ("store", "list", c),
}


def read_only(trial: Trial, name: str) -> list[str]:
    """Reading goes on; writing is refused in a sentence; nothing changes."""
    place = trial.folder / "disk"
    place.mkdir()
    disk = trial.chance.random() < 0.5 and not os.geteuid()
    if (
        disk
        and subprocess.run(["mount", "-t", "tmpfs", "none", str(place)], capture_output=True, check=False).returncode
    ):
        disk = False
    verb = trial.pick(name) if name in trial.bench.verbs else None
    try:
        # A flight as a crash left it: the journal's log cannot be read in the usual way.
        campaign = trial.copy(trial.chance.choice([trial.bench.made, trial.bench.crashed]), under=place)
        if verb:
            verb.before(trial.bench, campaign)
            words = verb.words(campaign)
        else:
            words = trial.chance.choice(list(READERS.values()))(campaign)
        before = _sums(campaign)
        if disk:
            subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        else:
            for path in [campaign, *campaign.rglob("*")]:
                path.chmod(0o555 if path.is_dir() else 0o444)
        code, _, said = run_verb(
            words, verb.plan or None if verb else None, trial.folder, preexec_fn=_bound_by_permissions
        )
        where = f"{' '.join(map(str, words[:2]))} on a {'disk' if disk else 'folder'} that is read-only"
        wrong = [] if _sums(campaign) == before else [f"{where}: changed"]
        return wrong + _refused(name, code, said, where, (1,) if verb else (0,))
    finally:
        if disk:
            _unmount(place)
        else:
            for path in [campaign, *campaign.rglob("*")]:
                path.chmod(0o755 if path.is_dir() else 0o644)


def _bound_by_permissions() -> None:
    """Root may write anywhere: give up the capability that says so (Linux, CAP_DAC_OVERRIDE)."""
    if os.geteuid() == 0:
        import ctypes

        ctypes.CDLL(None).prctl(24, 1, 0, 0, 0)  # PR_CAPBSET_DROP


def gone(trial: Trial, name: str) -> list[str]:
    """The folder is not there any more: no traceback, and what was told is where the folder went."""
    verb = trial.pick(name)
    do = trial.chance.choice(["move", "remove", "unmount", "shut"])
    if do in ("unmount", "shut"):
        with _disk(trial, "loop") as disk:
            if disk is None:
                return [NOT_DONE + "no file system may be mounted here"]
            return _gone(trial, verb, do, disk[1], disk)
    return _gone(trial, verb, do, trial.folder / "x", None)


def _gone(trial: Trial, verb: Verb, do: str, under: Path, disk) -> list[str]:
    campaign = trial.copy(under=under)
    verb.before(trial.bench, campaign)
    before = _facts(_flight(campaign))
    os.sync()
    what = _flight(campaign) if trial.chance.random() < 0.5 else campaign
    away = trial.folder / "away"
    plan = verb.plan | {
        "under": str(campaign),
        "do": do,
        "what": str(under if disk else what),
        "to": str(away),
        "at": trial.chance.randint(1, max(1, verb.steps)),
        "late_s": trial.chance.choice([0, 0.01]),
    }
    code, out, said = run_verb(verb.words(campaign), plan, trial.folder)
    where = f"{do} {'the disk' if disk else what.name}"
    wrong = _refused(verb.name, code, said, where, (0, 1))
    if disk:
        if verb.name == "report" and (campaign / "out" / "index.html").is_file():
            return wrong + _report_agrees(
                campaign / "out"
            )  # into a folder that was asked for, made anew: it is where it says
        _unmount(under)
        if not _mount(disk[0], under, "loop"):
            return [*wrong, "the file system itself did not survive"]
    if do == "remove":
        return wrong
    if do == "move" and away.is_dir():
        if what == campaign:
            campaign = away
        elif not (campaign / "flights" / FLIGHT).exists():
            away.rename(campaign / "flights" / FLIGHT)
        elif _facts(away):
            shutil.rmtree(campaign / "flights" / FLIGHT)  # made anew in its place; what was told must be where it went
            away.rename(campaign / "flights" / FLIGHT)
    if do == "shut" and verb.name == "fly":
        out = _without_the_last(out)
    # Results that were to be made in a folder that is gone may be said to be done only if they are there.
    return wrong + _stands(before, _flight(campaign)) + _told(verb.name, campaign, code, out, said)


def _without_the_last(out: str) -> str:
    """Of two `fdatasync` at the moment of ext4's shutdown one may be answered with success and lost: so it was in 2 of
    12 tries with nothing but `write` and `fdatasync` in a loop (Linux 6.18). The last row told proves nothing then."""
    rows = [line for line in out.splitlines() if line.endswith("}")]
    return "\n".join(rows[:-1])


def second_writer(trial: Trial) -> list[str]:
    """A flight is being flown: a second writer is refused, readers are not, and what is flown is whole."""
    campaign = trial.copy()
    flight, wrong = _flight(campaign), []
    plan = {"script": True, "reserve": 0}
    words = ("fly", campaign, "--flight", FLIGHT, "--no-screen", "--audio", trial.bench.tape, "--json")
    pilot = start_verb(words, plan, trial.folder)
    until_s = time.monotonic() + LONGEST_S
    while '"call"' not in pilot.said[0].read_text("utf-8") and pilot.poll() is None and time.monotonic() < until_s:
        time.sleep(0.02)
    name = trial.chance.choice(["fly", "hear", "review", "sync", "compress", "forget-sound"])
    verb = trial.bench.verbs[name][-1 if name != "review" else 0]
    code, _, said = run_verb(verb.words(campaign), verb.plan or None, trial.folder)
    still = pilot.poll() is None
    if still and (code != 1 or "writing" not in said):
        wrong.append(f"second writer ({name}): exit code {code}: {said.strip()[-200:]}")
    reader = trial.chance.choice([*READERS.values(), lambda c: ("reduce", c)])(campaign)
    code, _, said = run_verb(reader, None, trial.folder)
    if code:
        wrong.append(f"reader {reader[:2]}: exit code {code}: {said.strip()[-200:]}")
    code, out, said = finish(pilot)
    if code:
        wrong.append(f"the flight: exit code {code}: {said.strip()[-200:]}")
    wrong += [] if still else [NOT_DONE + "the flight was over before the second writer came"]
    return wrong + _told("fly", campaign, code, out, said) + _whole(flight)


def two_at_once(trial: Trial) -> list[str]:
    """The same verb twice at the same moment: each did its work or was refused; nothing is half."""
    verb = trial.pick(trial.chance.choice(list(trial.bench.verbs)))
    campaign = trial.copy()
    verb.before(trial.bench, campaign)
    before, had_report = _facts(_flight(campaign)), (campaign / "out").is_dir()
    racers = [start_verb(verb.words(campaign), verb.plan or None, trial.folder) for _ in range(2)]
    done = [finish(racer) for racer in racers]
    wrong = []
    for code, out, said in done:
        wrong += _refused(verb.name, code, said, verb.name, (0, 1))
        # Of two reports into one folder the later one stands; what is there must agree with itself.
        wrong += _told(verb.name, campaign, code, out, said)
    if all(code for code, _, _ in done):
        wrong.append(f"{verb.name}: neither did it: {done[0][2].strip()[-200:]} / {done[1][2].strip()[-200:]}")
    if verb.name == "review" and "--set" in verb.words(campaign):
        taken = sum(row.kind == "correction" for row in _facts(_flight(campaign)).values())
        if taken != sum(code == 0 for code, _, _ in done):
            wrong.append(f"{taken} corrections kept of {[code for code, _, _ in done]}")
    wrong += [*_stands(before, _flight(campaign)), *_old_or_new(campaign, had_report)]
    return wrong + ([] if verb.name == "rescue" else _whole(_flight(campaign)))


# ---- damage ------------------------------------------------------------------------------------------


def torn_page(trial: Trial, source: str) -> list[str]:
    """A page of the journal, or of its log, is noise."""
    made = trial.bench.crashed if source == "log" else trial.bench.made
    campaign = trial.copy(made)
    path = _flight(campaign) / (JOURNAL_FILE + ("-wal" if source == "log" else ""))
    data = bytearray(path.read_bytes())
    page = trial.chance.randrange(len(data) // 4096)
    data[page * 4096 : page * 4096 + 4096] = trial.chance.randbytes(4096)
    path.write_bytes(data)
    return _damaged(trial, campaign, made, f"page {page} of {path.name}", source)


def flipped_bytes(trial: Trial, source: str) -> list[str]:
    """One to five bits, in the journal, its log, or the sound as recorded or compressed."""
    made = trial.bench.crashed if source == "log" else trial.bench.made
    campaign = trial.copy(made)
    flight = _flight(campaign)
    if source == "sound" and trial.chance.random() < 0.5:
        run_verb(("store", "compress", flight), None, trial.folder)
    path = {"journal": flight / JOURNAL_FILE, "log": flight / f"{JOURNAL_FILE}-wal"}.get(source)
    path = path or trial.chance.choice(sorted((flight / "audio").iterdir()))
    data = bytearray(path.read_bytes())
    for _ in range(trial.chance.randint(1, 5)):
        data[trial.chance.randrange(44 if source == "sound" else 0, len(data))] ^= 1 << trial.chance.randrange(8)
    path.write_bytes(data)
    return _damaged(trial, campaign, made, path.name, source)


def cut_short(trial: Trial) -> list[str]:
    """A file ends too early, as after a copy that failed."""
    made = trial.chance.choice([trial.bench.made, trial.bench.crashed])
    campaign = trial.copy(made)
    flight = _flight(campaign)
    files = [
        path
        for path in (flight / JOURNAL_FILE, flight / f"{JOURNAL_FILE}-wal")
        if path.is_file() and path.stat().st_size
    ]
    path = trial.chance.choice([*files, *sorted((flight / "audio").iterdir())])
    os.truncate(path, trial.chance.randrange(path.stat().st_size))
    source = "log" if path.name.endswith("-wal") else "journal" if path.name == JOURNAL_FILE else "sound"
    return _damaged(trial, campaign, made, f"{path.name} cut short", source)


def _damaged(trial: Trial, campaign: Path, made: Path, what: str, source: str) -> list[str]:
    """What is read is what was written; what is missing is named; the rest can be saved and used."""
    flight = _flight(campaign)
    got, wrong = _facts(flight), []
    whole = got if source == "sound" else _facts(_flight(made))  # compressing the sound adds rows
    if any(whole.get(id) != row for id, row in got.items()):
        wrong.append(f"{what}: a row that nobody wrote was read")
    code, out, said = run_verb(("store", "verify", flight), None, trial.folder)
    named = code == 1 and (JOURNAL_FILE in said or "audio/" in said)
    noted = named or "note:" in out
    if "Traceback" in said:
        wrong.append(f"{what}: traceback: {said.strip()[-300:]}")
    # What was being written when the power went looks the same as damage to the very last of the log.
    if len(got) < len(whole) and not (noted if source == "log" else named):
        wrong.append(f"{what}: {len(whole) - len(got)} rows gone and verify says whole")
    if source == "sound" and not named and not _same_sound(flight, trial.bench.sound):
        wrong.append(f"{what}: another sound and verify says whole")
    try:
        rescue(flight, campaign / "flights" / "saved")
    except LogError as err:
        return wrong if not got else [*wrong, f"{what}: not saved: {err}"]
    saved = campaign / "flights" / "saved"
    if not verify(saved).ok:
        wrong.append(f"{what}: what was saved does not verify: {verify(saved).faults[0]}")
    kept = _facts(saved)
    ids = {row.body.get("id", id) for id, row in kept.items()}
    lost = [id for id, row in got.items() if row.kind == "call" and row.body["id"] not in ids]
    lost += [id for id, row in got.items() if row.kind == "note" and id not in kept]
    return wrong + ([f"{what}: readable and not saved: {lost}"] if lost else [])


def _same_sound(flight: Path, sound: np.ndarray) -> bool:
    try:
        return np.array_equal(read_sound(flight, 0, len(sound) / RATE_HZ), sound)
    except LoggerError:
        return False


def flipped_header(trial: Trial) -> list[str]:
    """25 flips in the headers of the journal's pages, a verb after each."""
    campaign = trial.copy()
    with Journal.open(_flight(campaign)) as journal:
        for k in range(40):  # several pages of rows
            body = {"k": k, "start_ns": 0, "end_ns": 0, "text": "x" * (k * 97 % 900)}
            journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body=body)])
    words = [sys.executable, planted.__file__, "flips", campaign, f"{trial.kind} {trial.chance.random()}", "25"]
    env = os.environ | {"KNEECALL_HOME": str(trial.folder / "home"), "TMPDIR": str(trial.folder)}
    done = subprocess.run([*map(str, words)], capture_output=True, text=True, env=env, check=False, cwd=ROOT)
    return json.loads(done.stdout) if done.returncode == 0 else [f"the child failed: {done.stderr[-300:]}"]


def _traced(trial: Trial, verb: Verb) -> tuple[list[Path], list[Path]] | None:
    """Paths in the trial's folder that a verb writes and reads, relative to it; None without strace."""
    if not shutil.which("strace"):
        return None
    folder = trial.folder / "traced"
    folder.mkdir()
    campaign, bench = folder / "c", folder / "b"
    shutil.copytree(trial.bench.made, campaign)
    verb.before(trial.bench, campaign)
    trace = trial.folder / "trace"
    process = start_verb(verb.words(campaign), verb.plan or None, bench_folder(bench), under=trace)
    finish(process)
    both = planted.touched(trace, campaign, ROOT)
    shutil.rmtree(folder)
    return tuple([path.relative_to(campaign) for path in paths] for paths in both)


def bench_folder(folder: Path) -> Path:
    folder.mkdir()
    return folder


def links(trial: Trial, name: str) -> list[str]:
    """A link to private files at each path that a verb writes, and at each folder above one."""
    wrong = []
    for verb in trial.bench.all_verbs[name]:
        paths = _traced(trial, verb)
        if paths is None:
            return [NOT_DONE + "strace is not there"]
        for path in planted.each(paths[0]):
            folder = bench_folder(trial.folder / f"{verb.name}{_next()}")
            campaign, private = folder / "c", folder / "private"
            shutil.copytree(trial.bench.made, campaign)
            verb.before(trial.bench, campaign)
            words = verb.words(campaign)
            if planted.plant_link(campaign / path, private / "x"):
                before, listed = _sums(private), sorted(private.rglob("*"))
                code, _, said = run_verb(words, verb.plan or None, folder)
                if _sums(private) != before or sorted(private.rglob("*")) != listed:
                    wrong.append(f"{' '.join(map(str, words[:2]))}: changed what {path} leads to")
                wrong += _refused(name, code, said, f"{name} with a link at {path}", (0, 1))
            shutil.rmtree(folder)
    return wrong


def pipes(trial: Trial, name: str) -> list[str]:
    """A pipe in the place of each file of the campaign that a verb reads or writes."""
    wrong = []
    for verb in trial.bench.all_verbs[name]:
        paths = _traced(trial, verb)
        if paths is None:
            return [NOT_DONE + "strace is not there"]
        for path in dict.fromkeys([*paths[1], *paths[0]]):
            folder = bench_folder(trial.folder / f"{verb.name}{_next()}")
            campaign = folder / "c"
            shutil.copytree(trial.bench.made, campaign)
            verb.before(trial.bench, campaign)
            words = verb.words(campaign)
            if planted.plant_pipe(campaign / path):
                try:
                    code, _, said = run_verb(words, verb.plan or None, folder)
                    wrong += _refused(name, code, said, f"{name} with a pipe at {path}", (0, 1))
                except subprocess.TimeoutExpired:
                    wrong.append(f"{name} with a pipe at {path}: waits for ever")
            shutil.rmtree(folder)
    return wrong


# ---- microphone and clocks ---------------------------------------------------------------------------


def microphone(trial: Trial) -> list[str]:
    """The sound card misbehaves: every block lies where it was spoken, every hole is named."""
    events, at = [], trial.chance.randint(5, 30)
    for k in range(trial.chance.randint(1, 2)):
        what = trial.chance.choice(["unplugged", "stalls", "overflow", "raises", *(["absent"] if not k else [])])
        seconds = round(trial.chance.choice([trial.chance.uniform(0.3, 1.2), trial.chance.uniform(1.6, 3.0)]), 2)
        if what == "overflow":
            seconds = round(trial.chance.uniform(0.05, 1.0), 2)
        events.append([0 if what == "absent" else at, what, seconds])
        at += round(seconds / BLOCK_S) + trial.chance.randint(50, 80)
    return _flown(trial, {"microphone": events, "blocks": at + 40}, str(events))


def clocks(trial: Trial) -> list[str]:
    """Clocks jump: the flight clock does not, unless the machine slept."""
    jumps, at = [], trial.chance.randint(10, 30)
    for _ in range(trial.chance.randint(1, 3)):
        by_s = (
            trial.chance.choice([-1, 1])
            * trial.chance.choice([1, 30, 60, 600, 3600, 7200, 86_400])
            * trial.chance.uniform(0.5, 1.5)
        )
        what = trial.chance.choice(["wall", "wall", "monotonic", "sleep"])
        if what == "sleep":
            jumps.append([at, abs(by_s) % 20_000, abs(by_s) % 20_000, True])
        else:
            jumps.append([at, by_s, 0.0, False] if what == "wall" else [at, 0.0, by_s, False])
        at += trial.chance.randint(15, 40)
    return _flown(trial, {"clock": jumps, "blocks": at + 30}, str(jumps))


def _flown(trial: Trial, plan: dict, what: str) -> list[str]:
    campaign = trial.copy()
    _no_flight(trial.bench, campaign)
    pushed = trial.folder / "pushed.json"
    plan |= {"script": True, "reserve": 0, "pushed": str(pushed)}
    # The card may be away when the flight begins.
    words = ("fly", campaign, "--flight", FLIGHT, "--no-screen", "--json", "--without-microphone")
    code, out, said = run_verb(words, plan, trial.folder)
    flight = _flight(campaign)
    wrong = _refused("fly", code, said, what, (130,))
    if not pushed.is_file() or not (flight / JOURNAL_FILE).is_file():
        return [*wrong, f"{what}: it did not fly: {said.strip()[-300:]}"]
    wrong += [*_told("fly", campaign, code, out, said), *_whole(flight)]
    rows = list(_facts(flight).values())
    flown = [row for row in rows if row.kind in ("call", "step")]
    if not any(row.kind == "call" for row in flown):
        wrong.append(f"{what}: no call was heard")
    times = [row.flight_ns for row in rows if row.kind == "step"]
    # A call's step is as old as the call; between them lies what the recogniser looks ahead.
    if any(later < earlier - LATE_CALL_NS for earlier, later in zip(times, times[1:])):
        wrong.append(f"{what}: steps go back in time: {times}")
    return wrong + _sound_is_where_it_was_spoken(trial, flight, rows, json.loads(pushed.read_text()), plan, what)


def _sound_is_where_it_was_spoken(trial, flight: Path, rows, pushed: list[int], plan: dict, what: str) -> list[str]:
    """Blocks hold the number of the twentieth of a second in which they were spoken."""
    if not pushed:
        return []
    wrong, at, kept, longest = [], 0, [], 0.0
    # A monotonic clock that leaps by itself is the machine asleep, as far as anybody can tell.
    leaps = [jump for jump in plan.get("clock", []) if jump[2] > 20 and not jump[3]]
    gaps = [(row.body["start_ns"] / 1e9, row.body["end_ns"] / 1e9) for row in rows if row.kind == "gap"]
    for segment in list_segments(flight):
        pcm = _segment(flight, segment)
        for k in range(0, len(pcm), 800):
            kept.append(int(pcm[k]))
            spoken_s = (kept[-1] - pushed[0] % 30_000) % 30_000 * BLOCK_S
            at_s = (segment.first_sample + k) / RATE_HZ
            if at == 0:
                at = at_s or 1e-9
                first_s = at_s
            off_s = (at_s - first_s - spoken_s + 750) % 1500 - 750
            longest = max(longest, abs(off_s))
    lost = len(pushed) - len(kept)
    if kept != [number % 30_000 for number in pushed[: len(kept)]]:
        wrong.append(f"{what}: the sound is not what was spoken")
    if lost > 2:
        wrong.append(f"{what}: {lost} blocks of {len(pushed)} not on the disk")
    if longest > 0.5 and not leaps:
        wrong.append(f"{what}: sound lies up to {longest:.2f} s from where it was spoken")
    holes = [(a - pushed[0], b - pushed[0]) for a, b in zip(pushed, pushed[1:]) if (b - a) * BLOCK_S > 0.35]
    unnamed = [
        hole
        for hole in holes
        if not leaps and not any(abs(g0 - first_s - (hole[0] + 1) * BLOCK_S) < 0.6 for g0, _ in gaps)
    ]
    if unnamed:
        wrong.append(f"{what}: holes of sound that no row names: {unnamed}; gaps {gaps}")
    if len(gaps) > len(holes) + 2 + len(leaps):
        wrong.append(f"{what}: gaps that were none: {gaps}")
    return wrong


def _segment(flight: Path, segment) -> np.ndarray:
    from logger_app.logstore.audio_io import segment_samples

    return segment_samples(flight, segment)


# ---- output that blocks, sound that ends early ---------------------------------------------------------


def blocked(trial: Trial) -> list[str]:
    """Nobody reads, or the loudspeaker is not responding: every call is saved when it is made, and the flight ends when asked to."""
    how = trial.chance.choice(
        ["full pipe", "both full", "stopped terminal", "reader dies", "closed", "frozen", "frozen and full"]
    )
    number = trial.chance.choice([signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
    at = trial.chance.randint(60, 120)
    plan = {
        "script": True,
        "reserve": 0,
        "pushed": str(trial.folder / "pushed.json"),
        "blocks": at,
        "signal": int(number),
    }
    if "frozen" in how:
        plan["frozen"] = trial.chance.randint(0, at // 2)
    if trial.chance.random() < 0.3:
        plan["microphone"] = [[at // 2, trial.chance.choice(["unplugged", "stalls", "raises"]), 0.8]]
    campaign = trial.copy()
    _no_flight(trial.bench, campaign)
    words = ("fly", campaign, "--flight", FLIGHT, "--no-screen", *trial.chance.choice([["--json"], []]))
    what = f"{how}, {number.name}"
    with _nobody_reads(how) as streams:
        process = start_verb(words, plan, trial.folder, **streams)
        code, _, said = finish(process)
    wrong = [] if code == 130 else [f"{what}: exit code {code}: {said.strip()[-300:]}"]
    if "Traceback" in said or "Fatal" in said:
        wrong.append(f"{what}: {said.strip()[-300:]}")
    flight = _flight(campaign)
    rows = sorted(_facts(flight).values(), key=lambda row: row.seq)
    calls = [row for row in rows if row.kind == "call"]
    heard_s = sum(s.samples for s in list_segments(flight)) / RATE_HZ
    if len(calls) < heard_s / 0.15 - 2:
        wrong.append(f"{what}: {len(calls)} calls saved of {heard_s / 0.15:.0f}")
    if number == signal.SIGINT and not any(row.body.get("step") == "landed" for row in rows):
        wrong.append(f"{what}: landed, and the journal does not say so")
    wrong += _saved_when_made(calls, what)
    lost = "not printed" in said
    if "stderr" not in streams and lost is not (
        how in ("full pipe", "stopped terminal", "reader dies", "closed", "frozen and full")
    ):
        wrong.append(
            f"{what}: rows {'said to be lost and were not' if lost else 'lost and not said'}: {said.strip()[-200:]}"
        )
    if "frozen" in how and "tone" not in said:
        wrong.append(f"{what}: tones lost and not said: {said.strip()[-200:]}")
    return wrong + _whole(flight)


def _saved_when_made(calls, what: str) -> list[str]:
    """By the labels of the wall clock no call waited to be saved for long after it was made."""
    made = [(datetime.fromisoformat(row.utc).timestamp(), row.body["end_ns"] / 1e9) for row in calls]
    late_s = max((utc_s - flight_s for utc_s, flight_s in made), default=0) - min((u - f for u, f in made), default=0)
    return [f"{what}: a call was saved {late_s:.1f} s after it was made"] if late_s > 8 else []


@contextmanager
def _nobody_reads(how: str):
    """Streams for a child whose output is not taken."""
    if how == "frozen":
        yield {}
        return
    if how == "stopped terminal":
        ours, theirs = os.openpty()
        os.set_blocking(theirs, False)
        _fill_up(theirs)
    else:
        ours, theirs = os.pipe()
        if how != "reader dies":
            fcntl.fcntl(theirs, fcntl.F_SETPIPE_SZ, 4096)
            os.set_blocking(theirs, False)
            _fill_up(theirs)
    os.set_blocking(theirs, True)
    streams = {"stdout": theirs} | ({"stderr": theirs} if how == "both full" else {})
    if how == "closed":
        streams["preexec_fn"] = lambda: os.close(1)
    if how == "reader dies":
        os.close(ours)
    try:
        yield streams
    finally:
        os.close(theirs)
        if how != "reader dies":
            os.close(ours)


def _fill_up(fd: int) -> None:
    for size in (4096, 1):
        try:
            while os.write(fd, b"." * size):
                pass
        except BlockingIOError:
            continue


def sound_ends_early(trial: Trial) -> list[str]:
    """The disk has no room for sound, or its files are gone: a flight that goes on lies behind all that it knows."""
    campaign = trial.copy()
    _no_flight(trial.bench, campaign)
    flight, wrong = _flight(campaign), []
    for part in range(trial.chance.randint(2, 4)):
        at = trial.chance.randint(50, 110)
        plan = {"script": True, "reserve": 0, "pushed": str(trial.folder / f"pushed{part}.json"), "blocks": at}
        how = trial.chance.choice(["no room", "no room at all", "unplugged", "files gone", "files cut"])
        if how.startswith("no room"):
            plan["full"] = 0 if how == "no room at all" else trial.chance.randint(0, at)
        if how == "unplugged":
            plan["microphone"] = [[trial.chance.randint(25, at), "unplugged", 60.0]]
        plan["signal"] = int(trial.chance.choice([signal.SIGTERM, signal.SIGHUP, signal.SIGKILL]))
        before = sorted(_facts(flight).values(), key=lambda row: row.seq) if part else []
        code, _, said = run_verb(("fly", campaign, "--flight", FLIGHT, "--no-screen"), plan, trial.folder)
        if code not in (130, 1, -9) or "Traceback" in said:
            wrong.append(f"part {part} ({how}): exit code {code}: {said.strip()[-300:]}")
        rows = sorted(_facts(flight).values(), key=lambda row: row.seq)
        wrong += _goes_on(before, rows[len(before) :], f"part {part} ({how})")
        if how.startswith("files"):
            for path in (flight / "audio").glob("*") if (flight / "audio").is_dir() else ():
                os.truncate(path, 44) if how == "files cut" else path.unlink()
    health = verify(flight)
    back = [fault for fault in health.faults if "goes back" in str(fault)]
    wrong += [f"verify: {back[0]}"] if back else []
    segments = list_segments(flight)
    wrong += [
        f"sound lies over itself: {a.file} and {b.file}"
        for a, b in zip(segments, segments[1:])
        if a.end_sample > b.first_sample
    ]
    code, out, said = run_verb(("reduce", campaign, "--json"), None, trial.folder)
    if code not in (0, 1) or "goes back" in out + said:
        wrong.append(f"reduce: exit code {code}: {(out + said).strip()[-300:]}")
    return wrong


def _goes_on(before, after, what: str) -> list[str]:
    """By the rows themselves: each time that the new ones know is later than every time that the old ones knew."""

    def times(row) -> list[int]:
        return [row.flight_ns, *(row.body[key] for key in ("start_ns", "end_ns") if isinstance(row.body.get(key), int))]

    known = max((t for row in before for t in times(row)), default=0)
    early = [row for row in after if row.kind in ("call", "step", "verdict", "audio") and min(times(row)) < known]
    early = [row for row in early if not (row.kind == "verdict" and row.body["ended"] == "gap")]  # of the run before
    early = [
        row
        for row in early
        if not (row.kind == "audio" and any(b.body.get("file") == row.body["file"] for b in before))
    ]
    return [f"{what}: {len(early)} rows before {known / 1e9:.2f} s, the first {early[0]}"] if early else []


# ---- all together ------------------------------------------------------------------------------------

WRITING = ("fly", "hear", "review", "sync", "reduce", "report")


def _kinds() -> dict[str, tuple]:
    """Kind of trial -> (what runs it, its arguments, its share of the trials)."""
    every = (*WRITING, "compress", "forget-sound", "rescue", "merge")
    others = ("plan", "preflight", "table", "verify", "list", "clip", "compare", "traced reduce")
    kinds = {f"kill -9 {name}": (kill, name, 3 if name in WRITING else 2) for name in every}
    kinds |= {f"power cut {name}": (power_cut, name, 3 if name in WRITING else 2) for name in every}
    kinds |= {"power cut, copied": (power_cut_copied, None, 2)}
    kinds |= {f"full disk {name}": (full_disk, name, 2) for name in WRITING}
    kinds |= {f"read-only {name}": (read_only, name, 1) for name in (*WRITING, "forget-sound", "reading")}
    kinds |= {f"gone {name}": (gone, name, 2) for name in WRITING}
    for source in ("journal", "log"):
        kinds[f"torn page in the {source}"] = (torn_page, source, 3)
    for source in ("journal", "log", "sound"):
        kinds[f"flipped bytes in the {source}"] = (flipped_bytes, source, 3)
    kinds |= {f"links {name}": (links, name, 1) for name in (*every, *others)}
    kinds |= {f"pipes {name}": (pipes, name, 1) for name in (*every, *others)}
    kinds |= {
        "flipped page header": (flipped_header, None, 3),
        "cut short": (cut_short, None, 3),
        "microphone": (microphone, None, 6),
        "clocks": (clocks, None, 6),
        "second writer": (second_writer, None, 4),
        "two at once": (two_at_once, None, 4),
        "blocked output and frozen sound": (blocked, None, 4),
        "sound that ended early": (sound_ends_early, None, 4),
    }
    return kinds


KINDS = _kinds()
# Trials of a full run: four of the smallest kinds.
FULL = 900
# One of each family, every verb at least once: what the tests run.
QUICK = (
    "kill -9 sync",
    "kill -9 report",
    "power cut review",
    "power cut, copied",
    "full disk hear",
    "read-only reduce",
    "gone fly",
    "torn page in the log",
    "flipped bytes in the sound",
    "links forget-sound",
    "pipes reduce",
    "microphone",
    "clocks",
    "second writer",
    "blocked output and frozen sound",
    "sound that ended early",
)


def shares(count: int, only: str | None = None) -> dict[str, int]:
    """How many trials of each kind: by their shares, each at least one."""
    kinds = {kind: share for kind, (_, _, share) in KINDS.items() if not only or only in kind}
    total = sum(kinds.values())
    given = {kind: max(1, count * share // total) for kind, share in kinds.items()}
    order = sorted(kinds, key=kinds.get, reverse=True)
    for k in range(count - sum(given.values())):
        given[order[k % len(order)]] += 1
    return given


def trials_of(given: dict[str, int], first: int = 0) -> list[tuple[str, int]]:
    """Kind after kind in turn, so that a bench that is stopped has seen some of all."""
    turns = [(k, kind) for kind, count in given.items() for k in range(first, first + count)]
    return [(kind, k) for k, kind in sorted(turns, key=lambda turn: turn[0])]


def run(
    plan: list[tuple[str, int]], seed: int, jobs: int = 1, tell=print, done=lambda row: None, within_s: float = 0.0
) -> list[dict]:
    """The trials; a row for each: kind, seed, k, wrong, not_done."""
    began_s = time.monotonic()

    def one(bench: Bench, kind: str, k: int) -> dict | None:
        if within_s and time.monotonic() - began_s > within_s:
            return None
        act, argument, _ = KINDS[kind]
        trial = Trial(bench, kind, seed, k)
        try:
            wrong = act(trial, argument) if argument else act(trial)
        except subprocess.TimeoutExpired as err:
            wrong = [f"hung: {err}"]
        not_done = [text.removeprefix(NOT_DONE) for text in wrong if text.startswith(NOT_DONE)]
        row = {
            "kind": kind,
            "seed": seed,
            "k": k,
            "wrong": [text for text in wrong if not text.startswith(NOT_DONE)],
            "not_done": not_done,
        }
        if row["wrong"]:
            tell(f"{kind}, trial {k}: {'; '.join(row['wrong'])}")
        done(row)
        shutil.rmtree(trial.folder, ignore_errors=True)
        return row

    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        with ThreadPoolExecutor(jobs) as pool:
            return [row for row in pool.map(lambda turn: one(bench, *turn), plan) if row]


def table(rows: list[dict]) -> list[dict]:
    """Outcomes by kind."""
    out = []
    for kind in KINDS:
        mine = [row for row in rows if row["kind"] == kind]
        if mine:
            undone = sum(bool(row["not_done"]) for row in mine)
            out.append(
                {
                    "kind": kind,
                    "trials": len(mine) - undone,
                    "wrong": sum(bool(row["wrong"]) for row in mine),
                    "not_done": undone,
                }
            )
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--quick", action="store_true", help=f"{len(QUICK)} trials, one of each family")
    how.add_argument("--full", action="store_true", help="900 trials over all kinds")
    how.add_argument("--trials", type=int, help="so many over the kinds chosen")
    parser.add_argument("--only", help="only kinds with this in their name")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--from", dest="first", type=int, default=0, metavar="K", help="begin with trial K of each kind"
    )
    parser.add_argument("--jobs", type=int, default=2, help="trials at a time")
    parser.add_argument(
        "--keep", type=Path, metavar="FILE", help="add each outcome to this file; do not repeat those in it"
    )
    parser.add_argument("--within-s", type=float, default=0.0, help="begin no more trials after so long")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    if args.quick:
        plan = [(kind, args.first) for kind in QUICK if not args.only or args.only in kind]
    else:
        given = shares(FULL) if args.full else shares(args.trials or 60, args.only)
        plan = trials_of({kind: n for kind, n in given.items() if not args.only or args.only in kind}, args.first)
    kept = (
        [json.loads(line) for line in args.keep.read_text().splitlines()] if args.keep and args.keep.is_file() else []
    )
    known = {(row["kind"], row["k"]) for row in kept if row["seed"] == args.seed}
    plan = [turn for turn in plan if turn not in known]

    def keep(row: dict) -> None:
        if args.keep:
            with _LOCK, args.keep.open("a") as file:
                file.write(json.dumps(row) + "\n")

    tell = (lambda text: None) if args.json else lambda text: print(text, flush=True)
    done = run(plan, args.seed, args.jobs, tell, keep, args.within_s) if plan else []
    rows = kept + done
    outcomes = table(rows)
    if args.json:
        print(json.dumps({"table": outcomes, "faults": [row for row in rows if row["wrong"]]}, indent=1))
    else:
        print(f"{'kind':30}  trials  wrong  not done")
        for row in outcomes:
            print(f"{row['kind']:30}  {row['trials']:6}  {row['wrong']:5}  {row['not_done']:8}")
        total = Counter()
        for row in outcomes:
            total.update({name: row[name] for name in ("trials", "wrong", "not_done")})
        print(f"{'all':30}  {total['trials']:6}  {total['wrong']:5}  {total['not_done']:8}")
        if len(done) < len(plan):
            print(f"{len(plan) - len(done)} trials are still to do")
    return 1 if any(row["wrong"] for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
