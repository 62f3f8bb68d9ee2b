"""The cameras of a flight as its journal has them, and where their files lie.

Main names: `read_cameras`, `cameras_in`, `camera_path`, `open_cameras`, `opened`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from logger_app.domain.cameras import CameraFile, camera_files, file_candidates
from logger_app.logstore.codec import body_to_clock_map
from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
from logger_app.sync.cameras_io import FlightCameras, on_clock
from logger_app.workflows import campaign as flow


def read_cameras(flight_dir: Path, flight: str = "") -> tuple[CameraFile, ...]:
    """The camera files that are linked to a flight."""
    with Journal.open(flight_dir, read_only=True) as journal:
        return cameras_in(list(journal.rows(RowKind.MEDIA, RowKind.CLOCK_MAP)), flight)


def cameras_in(rows: Sequence[JournalRow], flight: str = "") -> tuple[CameraFile, ...]:
    """The camera files that rows of a journal link to its flight."""
    return camera_files(
        (row.body for row in rows if row.kind is RowKind.MEDIA),
        (body_to_clock_map(row.body) for row in rows if row.kind is RowKind.CLOCK_MAP),
        flight,
    )


def camera_path(flight_dir: Path, file: str) -> Path:
    """Where a camera's file lies; where it was noted if it is nowhere."""
    places = file_candidates(flight_dir, file)
    return next((place for place in places if place.is_file()), places[0])


def open_cameras(campaign_dir: Path, flight: str, folder: Path | None = None) -> FlightCameras:
    """The cameras of a flight that are on its clock; a context manager.

    Parameters
    ----------
    folder : Path, optional
        The flight's folder, where it is not named by the flight's id.
    """
    flight_dir = folder or Path(campaign_dir) / flow.FLIGHTS_DIR / flight
    return opened(read_cameras(flight_dir, flight), flight_dir)


def opened(files: Sequence[CameraFile], flight_dir: Path) -> FlightCameras:
    """Those of these files that are on the flight's clock; a context manager."""
    synced = [file for file in files if file.clock_map is not None]
    return FlightCameras([on_clock(file, camera_path(flight_dir, file.file)) for file in synced])
