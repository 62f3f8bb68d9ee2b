"""All cameras of one flight: the picture at a flight time. Decoders stay open. Main name: `FlightCameras`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from logger_app.domain.cameras import CameraFile, covering
from logger_app.errors import SyncError
from logger_app.records.clocks import ClockMap
from logger_app.sync.video_io import Frame, VideoFrames


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """One camera file on the flight clock, and where it lies; chapters of one camera share its name."""

    file: CameraFile
    path: Path
    clock_map: ClockMap

    @property
    def name(self) -> str:
        """The camera's name."""
        return self.file.camera


def on_clock(file: CameraFile, path: Path) -> Camera:
    """A synced camera file at its place.

    Raises
    ------
    SyncError
        It is not on the flight clock.
    """
    if file.clock_map is None:
        raise SyncError(f"{file.file}: is not on the flight clock; run `kneecall sync` first")
    return Camera(file=file, path=path, clock_map=file.clock_map)


class FlightCameras:
    """Pictures of one flight by flight time; a context manager."""

    def __init__(self, cameras: Sequence[Camera]):
        self.cameras = [camera for camera in cameras if camera.path.is_file()]
        self.missing = [camera for camera in cameras if not camera.path.is_file()]
        self._open: dict[Path, VideoFrames] = {}

    def __enter__(self) -> FlightCameras:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def close(self) -> None:
        """Close all files."""
        for video in self._open.values():
            video.close()
        self._open.clear()

    def names(self) -> list[str]:
        """Names of the cameras whose files are there, each once."""
        return list(dict.fromkeys(camera.name for camera in self.cameras))

    def rename_wing(self, camera: str, wing: str) -> None:
        """From now on this camera shows that wing."""
        self.cameras = [
            replace(one, file=replace(one.file, wing=wing)) if one.name == camera else one for one in self.cameras
        ]

    def showing(self, flight_s: float, name: str | None = None) -> Camera | None:
        """The camera (of this name, wing or file) that was running at a flight time, or None."""
        found = covering([camera.file for camera in self.cameras], flight_s, name)
        return next((camera for camera in self.cameras if camera.file is found), None)

    def frame_at(
        self, flight_s: float, name: str | None = None, stop: Callable[[], bool] | None = None
    ) -> tuple[Frame, Camera]:
        """The picture at a flight time.

        Parameters
        ----------
        flight_s : float
            Flight time [s].
        name : str, optional
            Which camera; the first that was running, without it.

        Returns
        -------
        tuple of (Frame, Camera)
            Upright picture with its own time stamp, and where it is from.

        Raises
        ------
        SyncError
            No camera was running then, or its file cannot be decoded there.
        """
        camera = self.showing(flight_s, name)
        if camera is None:
            which = f"no camera {name}" if name else "no camera"
            there = ", ".join(self.names()) or "none is linked; run `kneecall sync` first"
            raise SyncError(f"{which} was running at flight time {flight_s:.2f} s; cameras: {there}")
        return self.video(camera).frame_at(camera.clock_map.from_flight_s(flight_s), stop), camera

    def video(self, camera: Camera) -> VideoFrames:
        """The open file of a camera."""
        if camera.path not in self._open:
            self._open[camera.path] = VideoFrames(camera.path)
        return self._open[camera.path]
