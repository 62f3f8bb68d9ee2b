"""Packs from disk: the file, its pronunciation dictionary, a team's own words. Main name: `load_pack`."""

from __future__ import annotations

import gzip
import re
import tomllib
import zlib
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from logger_app.errors import FileRefused, PackError
from logger_app.hear.packs import Item, Pack, build_pack
from logger_app.io.files import open_file, read_text
from logger_app.io.resources import data_dir
from logger_app.records.calls import CallKind
from logger_app.records.plan import Campaign

PACK_FILE = "callouts.toml"
MAX_PACK_BYTES = 2 * 1024 * 1024
# A dictionary is a few megabytes; a file that unpacks to more is not one.
MAX_DICTIONARY_BYTES = 64 * 1024 * 1024


def load_pack(name: str | None = None, campaign: Campaign | None = None) -> Pack:
    """Load, compile and check a pack.

    Parameters
    ----------
    name : str, optional
        A shipped pack (``en``), or the path of a pack's folder or file; without it the
        campaign's language, or ``en``.
    campaign : Campaign, optional
        Its team's own words replace the pack's phrases; its flap settings give "half", "full" and
        notches their degrees, and are the only ones that the sound decoder listens for, as are its cards and points;
        the powers and banks that it plans are listened for however odd they are.

    Raises
    ------
    PackError
        No such pack, or everything that is wrong with it.
    """
    path = _find(name or (campaign.language if campaign else "en"))
    try:
        text = read_text(path, MAX_PACK_BYTES)
    except FileRefused as err:
        raise PackError(f"{err} Give a language pack.") from err
    except ValueError as err:
        raise PackError(f"{path}: not a TOML file: {err}") from err
    except OSError as err:
        raise PackError(f"{path}: cannot be read: {err.strerror}") from err
    return _compiled(path, text, _stamp(_dictionary_path(path, text)), campaign)


@lru_cache(maxsize=4)
def _document(path: Path, text: str) -> dict:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as err:  # ValueError: also a number of more digits than Python reads
        raise PackError(f"{path}: not a TOML file: {err}") from err


def _dictionary_path(path: Path, text: str) -> Path | None:
    head = _document(path, text).get("pack", {})
    dictionary = head.get("dictionary") if isinstance(head, dict) else None
    return _beside(path, dictionary) if dictionary else None


def _stamp(path: Path | None) -> tuple[int, ...]:
    """What tells a file from one that was put in its place; nothing where it cannot be asked."""
    try:
        found = path.stat() if path else None
    except OSError:
        return ()
    return (found.st_mtime_ns, found.st_size, found.st_ino) if found else ()


@lru_cache(maxsize=4)
def _compiled(path: Path, text: str, stamp: tuple[int, ...], campaign: Campaign | None) -> Pack:
    """A pack as its text and its dictionary say; kept, for compiling takes seconds and a campaign's flights are heard one after
    another. `stamp` is the dictionary's: one that was changed is read again."""
    dictionary = _dictionary_path(path, text)
    sounds = _dictionary(dictionary, stamp) if dictionary else {}
    team = campaign.team.words if campaign else ()
    pack = build_pack(_document(path, text), lambda word: sounds.get(word, ()), where=str(path), team=team)
    return (
        replace(
            pack,
            items=tuple(
                _with_planned(_with_cards(_with_flaps(item, campaign), campaign), campaign) for item in pack.items
            ),
        )
        if campaign
        else pack
    )


def spoken_names(campaign: Campaign) -> dict[str, str]:
    """What people say for each name of the campaign's pack: the team's first phrase, else the pack's.

    Reads the file only, without compiling it. Names whose phrases all hold a number are left out.
    """
    try:
        document = tomllib.loads(read_text(_find(campaign.language), MAX_PACK_BYTES))
    except (FileRefused, OSError, ValueError, RecursionError):
        return {}
    said: dict[str, str] = {}
    for kind in ("event", "setting", "command"):
        entries = document.get(kind, [])
        for entry in entries if isinstance(entries, list) else []:
            phrases = entry.get("say", []) if isinstance(entry, dict) else []
            plain = [p for p in phrases if isinstance(p, str) and not set("<>()[]{}|") & set(p)]
            if plain:
                # The names themselves are the trade's English.
                name = str(entry.get("name"))
                said.setdefault(name, name.replace("_", " ") if campaign.language == "en" else plain[0])
    team = {name: re.sub(r"/[^/]*/", "", phrases[0]) for name, phrases in campaign.team.words if phrases}
    return said | {name: phrase for name, phrase in team.items() if "<" not in phrase}


def phrases_of(name: str, campaign: Campaign) -> list[str]:
    """The phrases that are heard as a call: the team's, else those of the pack that hold no number."""
    team = dict(campaign.team.words)
    if name in team:
        return list(team[name])
    document = tomllib.loads(read_text(_find(campaign.language), MAX_PACK_BYTES))
    entries = [e for kind in ("event", "setting", "command") for e in document.get(kind, []) if e.get("name") == name]
    return [phrase for entry in entries[:1] for phrase in entry.get("say", [])]


def _beside(pack: Path, dictionary) -> Path:
    """A dictionary lies in its pack's folder or in the folder of all packs; nothing else is read."""
    if not isinstance(dictionary, str) or "\0" in dictionary or Path(dictionary).is_absolute():
        raise PackError(f"{pack}, pack, dictionary: got {dictionary!r}; expected the name of a file beside the pack")
    path = (pack.parent / dictionary).resolve()
    if not path.is_relative_to(pack.parent.resolve().parent):
        raise PackError(f"{pack}, pack, dictionary: got {dictionary!r}; expected a file beside the pack")
    return path


def _find(name: str) -> Path:
    path, shipped = Path(name), data_dir("grammar")
    try:
        if path.suffix == ".toml" and path.is_file():
            return path
        if (path / PACK_FILE).is_file():
            return path / PACK_FILE
        if path.name == name and (shipped / name / PACK_FILE).is_file():
            return shipped / name / PACK_FILE
    except (OSError, ValueError):  # a name that no file can have
        name = name[:60]
    known = ", ".join(sorted(found.parent.name for found in shipped.glob(f"*/{PACK_FILE}")))
    raise PackError(f"pack {name!r} is not there; expected one of {known}, or a folder with {PACK_FILE}", name=name)


@lru_cache(maxsize=4)
def _dictionary(path: Path, stamp: tuple[int, ...]) -> dict[str, tuple[str, ...]]:
    """Words and their pronunciations: one a line, the word first. Kept while the file is the one with this `stamp`."""
    try:
        with open_file(path) as packed, gzip.open(packed, "rb") if path.suffix == ".gz" else packed as file:
            text = file.read(MAX_DICTIONARY_BYTES + 1).decode("utf-8")
    except (OSError, EOFError, UnicodeDecodeError, zlib.error) as err:
        raise PackError(f"{path}: the pack's dictionary cannot be read: {err}") from err
    if len(text) > MAX_DICTIONARY_BYTES:
        raise PackError(f"{path}: the pack's dictionary is too large; expected at most {MAX_DICTIONARY_BYTES} bytes")
    sounds: dict[str, tuple[str, ...]] = {}
    for line in text.splitlines():
        word, _, phones = line.partition(" ")
        if phones:
            sounds[word] = (*sounds.get(word, ()), phones)
    return sounds


def _with_cards(item: Item, campaign: Campaign) -> Item:
    """Cards and points that there are: by their name, or a point by its number on its card."""
    if item.kind is not CallKind.COMMAND or item.name != "card" or not campaign.points:
        return item
    names = {point.id.upper() for point in campaign.points} | {point.card.upper() for point in campaign.points}
    names |= {point.id.upper().removeprefix(point.card.upper()) for point in campaign.points}
    names.discard("")
    return replace(item, only=tuple(float(name) if name.isdecimal() else name for name in sorted(names)))


def _with_flaps(item: Item, campaign: Campaign) -> Item:
    """Flap settings of this aircraft: those said in words get their degrees, others are not expected."""
    if item.kind is not CallKind.SETTING or item.name != "flap":
        return item
    degrees = {table.flap_deg for table in campaign.calibrations} | {point.flap_deg for point in campaign.points}
    steps = sorted({limit.flap_deg for limit in campaign.aircraft.flap_limits} | degrees - {0.0})
    if item.has_slot:
        return replace(item, only=(0.0, *(float(step) for step in steps))) if steps else item
    if not isinstance(item.value, str):
        return item
    value: float | None = None
    if item.value == "full" and steps:
        value = steps[-1]
    elif item.value == "half" and steps:
        value = next((step for step in steps if abs(2 * step - steps[-1]) < 0.5), None)
    elif item.value.startswith("notch ") and int(item.value.split()[1]) <= len(steps):
        value = steps[int(item.value.split()[1]) - 1]
    return item if value is None else replace(item, value=float(value))


def _with_planned(item: Item, campaign: Campaign) -> Item:
    """Powers and banks of the plan: 2350 rpm or 62 % are listened for although others only in round figures."""
    if item.kind is not CallKind.SETTING or item.name not in ("power", "bank") or not item.has_slot:
        return item
    values = {"bank": "bank_deg", "power": "power_pct" if item.unit == "%" else "power_rpm"}
    planned = {getattr(point, values[item.name]) for point in campaign.points} - {None}
    return replace(item, also=tuple(sorted(planned)))
