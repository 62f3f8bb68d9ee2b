"""Which camera file shows a moment of a flight, and on which clock map. Pure: files are named, never opened.

Main names: `CameraFile`, `camera_files`, `covering`, `file_candidates`, `picture_lag_s`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger_app.records.clocks import ClockMap
from logger_app.records.results import StallSpeed

WINGS = ("left", "right")


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFile:
    """A camera file of a flight; `clock_map` is None where it was never synced, `wing` is empty where nobody said."""

    flight: str = ""
    camera: str
    file: str
    duration_s: float | None = None
    clock_map: ClockMap | None = None
    sha256: str = ""
    wing: str = ""

    def named(self, name: str) -> bool:
        """Whether a user means this file by a name: of the camera, of its wing or of the file, with or without folder and ending."""
        path = Path(self.file)
        return bool(name) and name in (self.camera, self.wing, self.file, path.name, path.stem)

    def video_s(self, flight_s: float) -> float | None:
        """The time in the file at a flight time [s]; None where this camera was not running or is not synced."""
        if self.clock_map is None:
            return None
        try:
            at_s = self.clock_map.from_flight_s(flight_s)
        except ValueError:
            return None
        return None if self.duration_s is not None and at_s > self.duration_s else at_s


def camera_files(media: Iterable[Mapping], maps: Iterable[ClockMap], flight: str = "") -> tuple[CameraFile, ...]:
    """The camera files of a flight, in the order in which they were linked.

    Parameters
    ----------
    media : iterable of mapping
        Bodies of `MEDIA` rows in the order of the journal; the last one of a file holds.
    maps : iterable of ClockMap
        In the order of the journal; the last one of a source holds.

    Notes
    -----
    A map belongs to the file that it names. Where the folder has moved since, the only map with the
    same file name serves; where it names a camera, that camera's file.
    """
    clocks = {clock.source: clock for clock in maps}
    named: dict[str, list[ClockMap]] = {}
    for source, clock in clocks.items():
        named.setdefault(Path(source).name, []).append(clock)
    clocks = {name: found[0] for name, found in named.items() if len(found) == 1} | clocks
    bodies = {str(body.get("file", "")): body for body in media}
    return tuple(
        CameraFile(
            flight=flight,
            camera=str(body.get("camera") or Path(file).stem),
            file=file,
            duration_s=body.get("duration_s"),
            clock_map=next((clocks[n] for n in (file, Path(file).name, body.get("camera")) if n in clocks), None),
            sha256=str(body.get("sha256", "")),
            wing=str(body.get("wing", "")),
        )
        for file, body in bodies.items()
    )


def covering(cameras: Sequence[CameraFile], flight_s: float, name: str | None = None) -> CameraFile | None:
    """The first camera (of this name) that was running at a flight time, or None.

    Parameters
    ----------
    flight_s : float
        Flight time [s].
    """
    fitting = (camera for camera in cameras if name is None or camera.named(name))
    return next((camera for camera in fitting if camera.video_s(flight_s) is not None), None)


def file_candidates(flight_dir: Path, file: str) -> tuple[Path, ...]:
    """Where a camera file may lie: as noted (a full path stays as it is), else in the flight's `media` folder."""
    return Path(flight_dir) / file, Path(flight_dir) / "media" / Path(file).name


def picture_lag_s(result: StallSpeed, reading_lag_s: float) -> float:
    """How long before its words a thing was to be seen.

    Parameters
    ----------
    reading_lag_s : float
        From reading the needle to the start of the word, as the campaign says [s].

    Returns
    -------
    float
        That lag, or 0 where the reduction has taken it out already [s].
    """
    return 0.0 if result.reading_lag_removed else reading_lag_s
