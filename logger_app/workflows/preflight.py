"""What is looked at before a flight: microphone, hearing, disk, battery, clock, cards, cautions.

Gathers from devices and files; `ui.presenters.preflight` and `cli.preflight` show it. Nothing here
can say that a flight is safe: that is for the pilot and the team.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from logger_app.domain.approach import MAX_BELOW_LAST_CALL_KT
from logger_app.domain.fitted import side_cautions
from logger_app.domain.points import points_for
from logger_app.errors import CardError, LoggerError
from logger_app.fly.capture.audio_writer import BYTES_PER_S, JOURNAL_BYTES
from logger_app.fly.capture.mic import MAX_STOP_S, BlockQueue, level_dbfs
from logger_app.fly.rehearsal import Answer, Line, Score, score, script
from logger_app.io.files import make_folder, read_text, write_text
from logger_app.io.resources import user_dir
from logger_app.records.calls import CallKind
from logger_app.records.plan import Campaign
from logger_app.units import RATE_HZ, from_kt, speed_text
from logger_app.workflows.flight_session import EngineMaker

OK, WARN, WRONG, UNKNOWN = "ok", "warn", "wrong", "unknown"
ACKNOWLEDGED_FILE = "preflight.json"
VOICE_FILE = "voice.json"
# A rehearsal says something of this voice, headset and day; an older one nothing any more (common practice, no source).
VOICE_KEPT = timedelta(hours=24)
RESULTS_DIR = "results"
# Level of a voice in a headset. Too quiet: speech near the noise of 16 bits and of the engine; too
# loud: peaks at full scale (common practice, no source).
QUIET_DBFS = -50.0
SILENT_DBFS = -80.0
CLIPPED_PEAK = 32_700
MICROPHONE_S = 2.0
# Sound is kept from engine start to engine stop; half an hour more than planned does not hurt.
SPARE_MINUTES = 30.0
LOW_BATTERY_PCT = 60
PROGRAM_YEAR = 2026
VOSK_MODEL = "vosk-model-small-en-us-0.15"
CAUTIONS = (
    "A recorder, not an instrument: eyes outside and on the airspeed indicator, never here.",
    "The flight manual, the operating limits, local rules and qualified people come first.",
    "Spin recovery known and briefed before any stall with something new on the wing.",
    "Stop for the day on any surprise.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing looked at: how it is (ok, warn, wrong, unknown), in words, and what to do."""

    name: str
    state: str
    words: str
    hint: str = ""
    facts: tuple[tuple[str, object], ...] = ()

    def as_json(self) -> dict:
        """As `preflight --json` shows it."""
        return {"name": self.name, "state": self.state, "words": self.words, "hint": self.hint, **dict(self.facts)}


# ---- cards -----------------------------------------------------------------------------------------------


def check_cards(campaign_dir: Path) -> tuple[Check, Campaign | None]:
    """The campaign and its faults; the campaign too, if it can be read."""
    from logger_app.plan.cards import check_campaign
    from logger_app.plan.cards_io import read_campaign

    try:
        campaign = read_campaign(campaign_dir)
    except CardError as err:
        faults = [str(fault) for fault in err.faults] or [str(err)]
        words = f"{_some(len(faults), 'fault')} in the campaign"
        return Check(name="cards", state=WRONG, words=words, hint=faults[0], facts=(("faults", faults),)), None
    faults = [str(fault) for fault in check_campaign(campaign)]
    if faults:
        words = f"{_some(len(faults), 'fault')} in the campaign"
        return Check(name="cards", state=WRONG, words=words, hint=faults[0], facts=(("faults", faults),)), campaign
    words = f"{_some(len(campaign.cards), 'card')}, {_some(len(campaign.points), 'point')}"
    return Check(name="cards", state=OK, words=words, facts=(("faults", []),)), campaign


def _some(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


# ---- microphone ------------------------------------------------------------------------------------------


def check_microphone(device: str | None = None) -> Check:
    """Listen for a moment: is there a microphone, and at what level."""
    from logger_app.fly.capture.mic_portaudio import PortAudioMicrophone

    microphone = PortAudioMicrophone(device)
    blocks = BlockQueue()
    microphone.start(blocks)
    parts: list[np.ndarray] = []
    end = time.monotonic() + MICROPHONE_S + 1.0
    while sum(len(part) for part in parts) < MICROPHONE_S * RATE_HZ and time.monotonic() < end:
        block = blocks.get(timeout_s=0.1)
        if block is not None:
            parts.append(block.pcm)
        elif microphone.trouble:
            break
    microphone.stop(MAX_STOP_S)
    if not parts:
        return no_microphone(microphone.trouble)
    return judge_level(np.concatenate(parts))


def no_microphone(trouble: str) -> Check:
    """The check for a microphone from which nothing came; the system's own words go into the hint."""
    words, _, detail = (trouble or "no sound comes from it").partition(" (")
    hint = "Plug in the headset; the cards still work by touch."
    return Check(name="microphone", state=WRONG, words=words, hint=f"{hint} ({detail}" if detail else hint)


def judge_level(pcm: np.ndarray) -> Check:
    """Check the microphone's level on a piece of int16 sound at 16 kHz; level, peak and offset are in its facts."""
    level, peak = level_dbfs(pcm - np.int16(np.mean(pcm))), int(np.abs(pcm.astype(np.int32)).max(initial=0))
    clipped = float(np.mean(np.abs(pcm.astype(np.int32)) >= CLIPPED_PEAK))
    facts = (("level_dbfs", round(level, 1)), ("peak", peak), ("clipped_pct", round(100 * clipped, 3)))
    if level < SILENT_DBFS:
        return Check(
            name="microphone",
            state=WRONG,
            words="silent: switched off, or the wrong one",
            facts=facts,
            hint="Check the plug and the mute switch.",
        )
    if clipped > 1e-4:
        return Check(
            name="microphone",
            state=WARN,
            words="too loud: it clips",
            facts=facts,
            hint="Turn the microphone's gain down.",
        )
    if level < QUIET_DBFS:
        return Check(
            name="microphone",
            state=WARN,
            words=f"quiet: {level:.0f} dB under full scale",
            facts=facts,
            hint="Speak into it while checking; turn the gain up if it stays so.",
        )
    return Check(name="microphone", state=OK, words=f"{level:.0f} dB under full scale", facts=facts)


# ---- hearing ---------------------------------------------------------------------------------------------


def check_hearing(campaign: Campaign | None, engine: str | None = None, model: Path | None = None):
    """Load pack and recogniser; gives the check and an `EngineMaker`, None where it cannot be loaded."""
    began_s = time.monotonic()
    try:
        make = EngineMaker(campaign, engine, model)
    except (LoggerError, FileNotFoundError) as err:
        return Check(name="hearing", state=WRONG, words="recogniser not loaded", hint=str(err)), None
    took_s = time.monotonic() - began_s
    facts = (("engine", make.engine_name), ("pack", make.pack.id), ("load_s", round(took_s, 2)))
    return Check(name="hearing", state=OK, words=f"{make.engine_name}, pack {make.pack.id}", facts=facts), make


def check_second_recogniser() -> Check:
    """The other recogniser's model is the user's to fetch: is it there, and where would it go."""
    folder = user_dir() / "models"
    models = sorted(path.name for path in folder.glob("vosk-model*") if path.is_dir()) if folder.is_dir() else []
    facts = (("folder", str(folder)), ("models", models))
    if models:
        return Check(name="2nd recogniser", state=OK, words=models[0], facts=facts)
    hint = (
        f"Optional. On the ground, with network: fetch {VOSK_MODEL} (about 40 MB) from alphacephei.com/vosk/models, "
        f"unpack it into {folder}, and give --engine vosk --model FOLDER."
    )
    return Check(name="2nd recogniser", state=UNKNOWN, words="not installed (optional)", hint=hint, facts=facts)


def rehearsal_script(pack, campaign: Campaign | None = None) -> tuple[Line, ...]:
    """What to say, in the words of the pack or of the team; speeds as this aircraft's approaches have them."""

    def phrase(kind: CallKind, name: str, value: float | None) -> str | None:
        if kind is CallKind.AIRSPEED:
            said = next((reading.words for reading in pack.airspeeds if reading.value == value), None)
        else:
            plain = (item for item in pack.items if (item.kind, item.name) == (kind, name) and not item.has_slot)
            said = next((item.phrases[0] for item in plain), None)
        return " ".join(said) if said else None

    return script(phrase, *_called_speeds(campaign))


def _called_speeds(campaign: Campaign | None) -> tuple[float, ...]:
    """Lowest and highest speed that is called in an approach, in the indicator's unit; nothing where not known."""
    points = campaign.points if campaign else ()
    stalls = [point.expected_stall_ias_kt for point in points if point.expected_stall_ias_kt]
    if campaign is None or not stalls:
        return ()
    unit = campaign.indicator.unit
    return from_kt(0.75 * min(stalls), unit), from_kt(1.5 * max(stalls), unit)


def confusions_in_words(result: Score | None, pack) -> tuple[str, ...]:
    """What to tell the pilot of each decade that was heard as another."""
    return tuple(_confusion_words(answer, pack) for answer, _ in result.confusions) if result else ()


def _confusion_words(answer: Answer, pack) -> str:
    said = [" ".join(r.words) for r in pack.airspeeds if r.value == answer.heard_value][:1] or [answer.heard]
    digits = {word for reading in pack.shorthands for word in reading.words}
    plain = [" ".join(r.words) for r in pack.airspeeds if r.value == answer.line.value and digits.issuperset(r.words)]
    instead = f"say {plain[0]!r}, or go on: such calls will be flagged" if plain else "such calls will be flagged"
    return f"Your {answer.line.say!r} sounds like {said[0]!r} here: {instead}."


def keep_voice(campaign_dir: Path, who: str, result: Score) -> None:
    """Keep what a rehearsal showed of the pilot's voice, for the flight that follows."""
    folder = (campaign_dir if campaign_dir.is_dir() else campaign_dir.parent) / RESULTS_DIR
    make_folder(folder, parents=False)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    kept = {"who": who, "utc": now, "confusions": [list(pair) for _, pair in result.confusions]}
    write_text(folder / VOICE_FILE, json.dumps(kept))


def kept_confusions(campaign_dir: Path, who: str, now: datetime | None = None) -> tuple[tuple[int, int], ...]:
    """Decades, heard and meant, that the last rehearsal showed this pilot's voice to confuse; none where it is another's,
    cannot be read, or lies more than a day from `now` (from the flight, where a recording is heard later)."""
    try:
        kept = json.loads(read_text(campaign_dir / RESULTS_DIR / VOICE_FILE))
        old = abs((now or datetime.now(UTC)) - datetime.fromisoformat(kept["utc"])) > VOICE_KEPT
        pairs = tuple((int(heard), int(meant)) for heard, meant in kept["confusions"])
    except (OSError, ValueError, KeyError, TypeError):
        return ()
    fits = all(1 <= decade <= 9 for pair in pairs for decade in pair)
    return pairs if fits and not old and (not who or not kept.get("who") or who == kept["who"]) else ()


def rehearse(lines: tuple[Line, ...], pcm: np.ndarray, engine) -> Score:
    """Hear a recorded rehearsal and score it."""
    calls = []
    for first in range(0, len(pcm), RATE_HZ):
        calls += engine.feed(np.ascontiguousarray(pcm[first : first + RATE_HZ]))
    calls += engine.finish()
    return score(lines, sorted(calls, key=lambda call: call.start_ns))


def say_the_speed(unit: str) -> str:
    """What costs most runs in the review and nothing in flight."""
    most = speed_text(MAX_BELOW_LAST_CALL_KT, unit, ".2g")
    return f"At the break say the speed once more: a stall read more than {most} below the last call does not count by itself."


def check_rehearsal(result: Score | None, pack=None, unit: str = "kt") -> Check:
    """The rehearsal as a check; with the pack, what this voice confuses comes first."""
    once_more = say_the_speed(unit)
    if result is None:
        return Check(
            name="rehearsal",
            state=UNKNOWN,
            words="not spoken yet",
            hint=f"Say the lines with the headset on, engine running if you can. {once_more}",
        )
    total = len(result.answers)
    answers = [
        {"say": a.line.say, "right": a.right, "heard": a.heard, "posterior": a.posterior} for a in result.answers
    ]
    confused = confusions_in_words(result, pack) if pack else ()
    facts = (
        ("right", result.right),
        ("of", total),
        ("answers", answers),
        ("extra", list(result.extra)),
        ("confusions", list(confused)),
    )
    wrong = [a for a in result.answers if not a.right]
    hint = "; ".join(f"“{a.line.say}” was {'heard as ' + a.heard if a.heard else 'missed'}" for a in wrong[:3])
    hint = " ".join(confused) or hint
    hint = f"{hint} {once_more}" if confused else f"{hint}. {once_more}" if hint else once_more
    state = OK if result.good and not confused else WARN
    return Check(name="rehearsal", state=state, words=f"{result.right} of {total} heard right", hint=hint, facts=facts)


# ---- machine ---------------------------------------------------------------------------------------------


def planned_minutes(campaign: Campaign | None, flight: str | None) -> float:
    """How long the flight will be by its plan: out, every run wanted, back [min]."""
    if campaign is None:
        return 90.0
    planning = campaign.planning
    runs = sum(point.runs_wanted for point in points_for(campaign, flight or ""))
    return planning.minutes_to_area + runs * planning.minutes_per_run + planning.minutes_back


def check_disk(campaign_dir: Path, minutes: float, free_bytes: Callable[[Path], int] | None = None) -> Check:
    """Room for the sound of the planned flight."""
    folder = campaign_dir if campaign_dir.is_dir() else campaign_dir.parent
    try:
        free = (free_bytes or (lambda path: shutil.disk_usage(path).free))(folder)
    except OSError as err:
        return Check(name="disk", state=WRONG, words=f"cannot be asked ({err.strerror or err})")
    room_min = max(0.0, (free - JOURNAL_BYTES) / BYTES_PER_S / 60)
    need_min = minutes + SPARE_MINUTES
    facts = (("minutes_free", round(min(room_min, 1e6))), ("minutes_needed", round(need_min)))
    words = f"{_hours(room_min)} free, needs {_hours(need_min)}"
    if not os.access(folder, os.W_OK):
        return Check(name="disk", state=WRONG, words="the campaign folder cannot be written", facts=facts)
    if room_min < need_min:
        return Check(
            name="disk",
            state=WRONG,
            words=words,
            facts=facts,
            hint="Free some space: when the disk is full, sound recording stops; calls are still saved.",
        )
    return Check(name="disk", state=OK, words=words, facts=facts)


def _hours(minutes: float) -> str:
    return f"{minutes / 60:.1f} h" if minutes < 6000 else "over 100 h"


def check_battery() -> Check:
    """The battery, where the system tells it."""
    percent, plugged = battery()
    facts = (("percent", percent), ("plugged_in", plugged))
    if percent is None:
        return Check(name="battery", state=UNKNOWN, words="level unavailable", facts=facts)
    words = f"{percent} %" + (", plugged in" if plugged else "")
    if percent < LOW_BATTERY_PCT and not plugged:
        return Check(name="battery", state=WARN, words=words, hint="Charge it, or fly with a cable.", facts=facts)
    return Check(name="battery", state=OK, words=words, facts=facts)


def battery() -> tuple[int | None, bool | None]:
    """(per cent, plugged in); None where unknown."""
    with contextlib.suppress(OSError, ValueError, subprocess.SubprocessError):
        if sys.platform == "win32":
            return _battery_windows()
        if sys.platform == "darwin":
            said = subprocess.run(
                ["pmset", "-g", "batt"], check=False, capture_output=True, text=True, timeout=5
            ).stdout
            percent = next((word.rstrip("%;") for word in said.split() if word.rstrip(";").endswith("%")), None)
            return (int(percent), "AC Power" in said) if percent else (None, None)
        return battery_linux(Path("/sys/class/power_supply"))
    return None, None


def battery_linux(folder: Path) -> tuple[int | None, bool | None]:
    """From the kernel's power_supply class: the lowest battery of the machine itself."""
    percents, plugged = [], None
    for supply in sorted(folder.iterdir()) if folder.is_dir() else ():
        kind = (supply / "type").read_text().strip()
        if kind == "Battery" and (supply / "capacity").is_file():
            scope = (supply / "scope").read_text().strip() if (supply / "scope").is_file() else "System"
            if scope != "Device":  # a mouse or a headset
                percents.append(int((supply / "capacity").read_text()))
        elif kind in ("Mains", "USB") and (supply / "online").is_file():
            plugged = bool(plugged) or (supply / "online").read_text().strip() == "1"
    return (min(percents), plugged) if percents else (None, plugged)


def _battery_windows() -> tuple[int | None, bool | None]:
    import ctypes

    class Status(ctypes.Structure):
        _fields_ = [
            ("line", ctypes.c_ubyte),
            ("flag", ctypes.c_ubyte),
            ("percent", ctypes.c_ubyte),
            ("saver", ctypes.c_ubyte),
            ("left_s", ctypes.c_ulong),
            ("full_s", ctypes.c_ulong),
        ]

    status = Status()
    if (
        sys.platform != "win32"
        or not ctypes.windll.kernel32.GetSystemPowerStatus(ctypes.byref(status))
        or status.percent > 100
    ):
        return None, None
    return int(status.percent), status.line == 1


def check_clock(newest: datetime | None = None, now: datetime | None = None) -> Check:
    """The wall clock labels rows; a wrong one labels them wrongly, and nothing else."""
    now = now or datetime.now(UTC)
    words = now.strftime("%Y-%m-%d %H:%M UTC")
    hint = "Set the clock; times within a flight come from the sound and stay right."
    if now.year < PROGRAM_YEAR or now.year > PROGRAM_YEAR + 50:
        return Check(name="clock", state=WARN, words=f"{words}: cannot be", hint=hint)
    if newest and now < newest:
        return Check(name="clock", state=WARN, words=f"{words}: before the last flight", hint=hint)
    return Check(name="clock", state=OK, words=words)


def check_flights(campaign_dir: Path, flight: str | None = None) -> Check:
    """Every flight of the campaign: rows by their checksums, sound files by their lengths.

    Parameters
    ----------
    flight : str, optional
        The flight to be flown: damage to it is wrong, damage to another one is worth a look.
    """
    from logger_app.logstore.recover import verify
    from logger_app.logstore.store import list_flights

    damaged: dict[str, str] = {}
    folders = list_flights(campaign_dir)
    for folder in folders:
        try:
            faults = verify(folder, sound=False).faults
        except (LoggerError, OSError) as err:
            damaged[folder.name] = str(err)
        else:
            if faults:
                damaged[folder.name] = str(faults[0])
    facts = (("damaged", damaged),)
    if not damaged:
        return Check(name="flights", state=OK, words=f"{_some(len(folders), 'flight')} intact", facts=facts)
    words = f"{len(damaged)} of {_some(len(folders), 'flight')} damaged: {', '.join(damaged)}"
    state = WRONG if flight in damaged else WARN
    return Check(name="flights", state=state, words=words, hint=next(iter(damaged.values())), facts=facts)


def newest_flight(campaign_dir: Path) -> datetime | None:
    """When the newest flight of the campaign was begun, by its label."""
    from logger_app.logstore.store import Journal, list_flights

    begun = []
    for folder in list_flights(campaign_dir):
        with contextlib.suppress(LoggerError, ValueError), Journal.open(folder, read_only=True) as journal:
            begun.append(datetime.fromisoformat(journal.info.started_utc))
    return max((when for when in begun if when.tzinfo), default=None)


# ---- cautions --------------------------------------------------------------------------------------------


def cautions(campaign: Campaign | None) -> tuple[str, ...]:
    """The usual cautions, the team's own, and those of a change on one wing only."""
    return CAUTIONS + ((*campaign.team.cautions, *side_cautions(campaign)) if campaign else ())


def briefing(campaign: Campaign | None) -> dict:
    """What is acknowledged: cautions, knock-it-off criteria, floor and entry altitude."""
    team = campaign.team if campaign else None
    return {
        "cautions": list(cautions(campaign)),
        "knock_it_off": list(team.knock_it_off) if team else [],
        "floor_ft": team.floor_ft if team else None,
        "entry_min_ft": team.entry_min_ft if team else None,
    }


def acknowledged(campaign_dir: Path, campaign: Campaign | None) -> dict | None:
    """Who acknowledged the present briefing, and when; None if nobody has, or if it has changed."""
    try:
        kept = json.loads(read_text(campaign_dir / RESULTS_DIR / ACKNOWLEDGED_FILE))
        return {"who": kept["who"], "utc": kept["utc"]} if kept["sha256"] == _digest(campaign) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def acknowledge(campaign_dir: Path, campaign: Campaign | None, who: str) -> dict:
    """Record who has read the briefing."""
    folder = campaign_dir / RESULTS_DIR
    make_folder(folder, parents=False)
    kept = {"who": who, "utc": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")}
    read = kept | {"sha256": _digest(campaign), "briefing": briefing(campaign)}
    write_text(folder / ACKNOWLEDGED_FILE, json.dumps(read, indent=1))
    return kept


def check_briefing(campaign_dir: Path, campaign: Campaign | None) -> Check:
    """Whether the cautions, criteria and floor were read."""
    kept = acknowledged(campaign_dir, campaign)
    if kept:
        return Check(
            name="briefing", state=OK, words=f"read by {kept['who'] or 'the pilot'}", facts=tuple(kept.items())
        )
    return Check(
        name="briefing",
        state=WARN,
        words="not acknowledged",
        hint="Read the cautions, the knock-it-off criteria and the floor.",
    )


def _digest(campaign: Campaign | None) -> str:
    return hashlib.sha256(json.dumps(briefing(campaign), sort_keys=True).encode()).hexdigest()
