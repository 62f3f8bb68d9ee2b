"""When a recording was made, as far as the file itself says.

A container's creation time is the recorder's clock; a file's own time stamp is when it was last written, which a
copy may have changed. Main name: `recorded_at`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

# Clocks that were never set begin in 1904, 1970 or 1980.
EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """`utc` is empty where nothing is known, a date only where no hour is; `by` is one of recording, file."""

    utc: str = ""
    by: str = ""


def recorded_at(path: Path, now: datetime | None = None) -> Recorded:
    """When the recording in a file began; of a transcript, when the file was written.

    Parameters
    ----------
    now : datetime, optional
        What is later than a day after it is a clock that is wrong.
    """
    latest = (now or datetime.now(UTC)) + timedelta(days=1)
    if not path.is_file():
        return Recorded()
    tags, duration_s = _tags(path)
    for when, text in filter(None, (_read(tags.get("creation_time", "")), _read(_broadcast_wave(tags)))):
        if EARLIEST <= when <= latest:
            return Recorded(utc=text, by="recording")
    when = datetime.fromtimestamp(path.stat().st_mtime, UTC) - timedelta(seconds=duration_s)
    if EARLIEST <= when <= latest:
        return Recorded(utc=_label(when), by="file")
    return Recorded()


def _label(when: datetime) -> str:
    return when.strftime("%Y-%m-%dT%H:%M:%SZ")


def _broadcast_wave(tags: dict[str, str]) -> str:
    """Broadcast Wave (EBU Tech 3285) has date and time of day apart; a music tag often has a year only."""
    hour = tags.get("creation_time", "")
    return f"{tags.get('date', '')}T{hour}" if re.fullmatch(r"\d\d:\d\d:\d\d", hour) else tags.get("date", "")


def _read(text: str) -> tuple[datetime, str] | None:
    """A time stamp and its label: with the hour where it has one; None for anything else."""
    if not re.match(r"\d{4}-\d\d-\d\d", text):
        return None
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    when = when.astimezone(UTC) if when.tzinfo else when.replace(tzinfo=UTC)
    return when, when.date().isoformat() if len(text.strip()) == 10 else _label(when)


def _tags(path: Path) -> tuple[dict[str, str], float]:
    """Tags of the container and of its streams, lower case, and its length [s]; nothing of what is no recording."""
    import av

    from logger_app.errors import LoggerError
    from logger_app.io.containers import open_container

    try:
        with open_container(path) as container:
            found: dict[str, str] = {}
            for tags in (*(stream.metadata for stream in container.streams), container.metadata):
                found |= {name.lower(): str(text) for name, text in tags.items()}
            return found, max(0.0, (container.duration or 0) / 1e6)
    except (LoggerError, av.error.FFmpegError, OSError, ValueError):
        return {}, 0.0
