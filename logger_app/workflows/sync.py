"""Put camera files on a flight's clock, and write to its journal what was found.

Main names: `link`, `noted_path`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from logger_app.errors import SyncError
from logger_app.logstore.audio_io import iter_sound, sound_duration_s
from logger_app.logstore.codec import clock_map_row
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.journal import JournalRow, RowKind
from logger_app.sync.link_io import Linked, by_hand, link_cameras


def link(
    flight_dir: Path,
    videos: Sequence[Path],
    marks: Sequence[tuple[float, float]] = (),
    camera: str = "",
    wing: str = "",
    progress: Callable[[float], None] = lambda share: None,
) -> list[Linked]:
    """Place camera files on the flight clock, by hand where there are marks, else by sound; accepted ones are journalled.

    Parameters
    ----------
    marks : sequence of (float, float)
        The same moment in the video and in the flight, of one video [s].
    camera, wing : str, optional
        What to call the camera, and the wing that it shows: ``left`` or ``right``.
    progress : callable
        Called with the share done, 0 to 1.

    Raises
    ------
    SyncError
        Marks for more than one video, or a flight without sound.
    """
    if marks and len(videos) > 1:
        raise SyncError(f"got {len(videos)} videos with --offset or --mark; expected one video at a time")
    with Journal.open(flight_dir, read_only=True) as journal:
        played_s = [row.flight_ns / 1e9 for row in journal.rows(RowKind.MARK) if row.body.get("played", True)]
    if marks:
        linked = [by_hand(videos[0], marks)]
    elif not sound_duration_s(flight_dir):
        raise SyncError(f"{flight_dir}: the flight has no sound to align with; use --offset or --mark")
    else:
        sound = iter_sound(flight_dir, 30.0)
        linked = link_cameras(sound, videos, played_s=played_s, progress=lambda share, what: progress(share))
    if accepted := [one for one in linked if one.accepted]:
        with Journal.open(flight_dir) as journal:
            journal.append(_rows(journal, flight_dir, accepted, camera, wing))
    return linked


def _rows(journal: Journal, flight_dir: Path, accepted: Sequence[Linked], camera: str, wing: str) -> list[JournalRow]:
    """Journal rows of the files that were placed: one `MEDIA` (unless it is there) and one `CLOCK_MAP` each."""
    known = [row.body for row in journal.rows(RowKind.MEDIA)]
    utc, rows = utc_now(), []
    for one in accepted:
        if one.clock_map is None or one.media is None:
            continue
        file = noted_path(one.path, flight_dir)
        before: dict = next((body for body in reversed(known) if body.get("file") == file), {})
        flight_ns = max(0, round(one.clock_map.offset_s * 1e9))
        body = {
            "file": file,
            "sha256": one.sha256,
            "camera": camera or one.camera,
            "chapter": one.chapter,
            "duration_s": round(one.media.duration_s, 3),
            "fps": round(one.media.fps, 3),
            "width": one.media.width,
            "height": one.media.height,
            "codec": one.media.codec,
        }
        if shown := wing or before.get("wing"):
            body["wing"] = shown
        if any(body[key] != before.get(key) for key in ("sha256", "camera")) or body.get("wing") != before.get("wing"):
            rows.append(
                JournalRow(id=journal.new_id("media"), flight_ns=flight_ns, utc=utc, kind=RowKind.MEDIA, body=body)
            )
        rows.append(clock_map_row(replace(one.clock_map, source=file), utc, journal.new_id("clock"), flight_ns))
    return rows


def noted_path(path: Path, flight_dir: Path) -> str:
    """How a camera file is named in the journal: relative inside the flight folder, else in full."""
    path, flight_dir = Path(path).resolve(), Path(flight_dir).resolve()
    return path.relative_to(flight_dir).as_posix() if path.is_relative_to(flight_dir) else str(path)
