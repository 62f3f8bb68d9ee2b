"""Camera files onto the flight clock: probe, unpack the sound, align, chapter by chapter.

By common sound; where there is none, by sync signatures; or by hand. Main names: `link_cameras`,
`Linked`, `by_hand`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from logger_app.errors import SyncError
from logger_app.records.clocks import ClockMap
from logger_app.sync.align import ACCEPT_LOG10, MIN_WINDOWS, TRAVEL_U_S, Alignment, align
from logger_app.sync.chapters import cameras, expected
from logger_app.sync.media_io import CameraFile, SoundStore, fingerprint, probe
from logger_app.sync.onsets import onset_envelope
from logger_app.sync.signature import Signature, find_signatures, match_signatures
from logger_app.units import RATE_HZ

# Chapters of one camera cannot overlap; their declared lengths are a little off [s].
OVERLAP_S = 0.3
# A hand on a slider, or an eye on two waveforms, is good to about a tenth of a second (common practice, no source).
HAND_U_S = 0.1
SIGNATURE_U_S = 0.002
# A sweep was played but the flight's microphone did not hear it: the loudspeaker's delay is not known better.
PLAYED_U_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Linked:
    """One camera file: on the flight clock with its map, or not, and why."""

    path: Path
    accepted: bool
    why: str
    clock_map: ClockMap | None = None
    media: CameraFile | None = None
    camera: str = ""
    chapter: int = 1
    sha256: str = ""


def link_cameras(
    flight_sound: Iterable[np.ndarray],
    paths: Sequence[Path],
    *,
    played_s: Sequence[float] = (),
    progress: Callable[[float, str], None] = lambda share, what: None,
) -> list[Linked]:
    """Put camera files on the flight clock.

    Parameters
    ----------
    flight_sound : iterable of ndarray of int16, shape (n,)
        The flight's sound from flight time 0, 16 kHz mono.
    played_s : sequence of float
        When the tablet played a sync signature, on the flight clock [s].
    progress : callable
        Called with the share done, 0 to 1, and what is being done.

    Returns
    -------
    list of Linked
        One for each path, in the order given. A file that cannot be used says why and costs the
        others nothing.
    """
    files, refused = {}, {}
    for k, path in enumerate(paths):
        try:
            files[k] = probe(path)
        except SyncError as err:
            refused[k] = Linked(path=Path(path), accepted=False, why=_plain(err, path))
    linked = dict(refused)
    with SoundStore() as store:
        progress(0.0, "flight's sound")
        flight = store.keep(flight_sound)
        envelope = onset_envelope(flight[k : k + 60 * RATE_HZ] for k in range(0, len(flight), 60 * RATE_HZ))
        order = list(files)
        groups = [[order[j] for j in group] for group in cameras([files[k] for k in order])]
        total, done = max(1, len(order)), 0
        for group in groups:
            run = _Camera(store, flight, envelope, [files[k] for k in group], played_s)
            for j, file in enumerate(run.files):

                def placed(share: float, before: int = done + j, name: str = file.path.name) -> None:
                    progress((before + share) / total, name)

                run.place(j, placed)
            run.settle()
            for j, k in enumerate(group):
                linked[k] = run.linked(j)
            done += len(group)
    progress(1.0, "")
    return [linked[k] for k in range(len(paths))]


class _Camera:
    """The chapters of one camera while they are being placed."""

    def __init__(self, store: SoundStore, flight: np.ndarray, envelope: np.ndarray, files: list[CameraFile], played_s):
        self.store, self.flight, self.envelope, self.files, self.played_s = store, flight, envelope, files, played_s
        self.found = [Alignment(accepted=False, why="not tried")] * len(files)
        self.sounds: list[np.ndarray | None] = [None] * len(files)
        self.starts_s = [0.0] * len(files)
        self.said = [""] * len(files)
        self.method = ["sound"] * len(files)
        self.flight_sweeps: list[Signature] | None = None

    def place(self, j: int, progress: Callable[[float], None]) -> None:
        """A chapter by itself."""
        try:
            self.sounds[j], self.starts_s[j], self.said[j] = self.store.camera(self.files[j].path)
        except SyncError as err:
            self.found[j] = Alignment(accepted=False, why=_plain(err, self.files[j].path))
            return
        self.found[j] = align(self.flight, self._sound(j), envelope=self.envelope, progress=progress)
        if not self.found[j].accepted:
            self._by_signature(j)

    def _sound(self, j: int) -> np.ndarray:
        sound = self.sounds[j]
        if sound is None:
            raise SyncError(f"{self.files[j].path}: has no sound")
        return sound

    def settle(self) -> None:
        """What the chapters say about each other: drop what cannot be, then look where a chapter must lie."""
        self._drop_overlaps()
        if not any(one.accepted for one in self.found):
            self._confirm()
        for j, one in enumerate(self.found):
            if one.accepted or self.sounds[j] is None:
                continue
            prior = expected(self.files, self.found, self.starts_s, j)
            if prior is None:
                continue
            again = align(self.flight, self._sound(j), prior=prior)
            if again.accepted:
                self.found[j] = replace(again, why="common sound, where the chapters beside it put it")
        self._drop_overlaps()

    def _confirm(self) -> None:
        """Two chapters of which neither has enough evidence by itself, but each lies where the other puts it.

        Their windows have nothing in common, so that the chance of both by accident is the product: of one anywhere, and of
        the other in the few seconds that are left. Each must also be worth what a chapter beside a placed one is asked for.
        """
        most = ACCEPT_LOG10 - math.log10(max(1, len(self.found) * (len(self.found) - 1)))
        likely = [j for j, one in enumerate(self.found) if one.likeliest is not None]
        for j in sorted(likely, key=lambda j: self.found[j].log10_chance):
            alone: list[Alignment | None] = [
                self.found[j].likeliest if k == j else None for k in range(len(self.found))
            ]
            for k in (j + 1, j - 1):
                prior = (
                    expected(self.files, alone, self.starts_s, k)
                    if 0 <= k < len(self.found) and self.sounds[k] is not None
                    else None
                )
                other = align(self.flight, self._sound(k), prior=prior) if prior is not None else None
                if other is None or not other.accepted or float(dict(other.evidence)["windows_agree"]) < MIN_WINDOWS:
                    continue
                if "log10_chance_with_envelope" in dict(other.evidence):
                    continue  # the product is of windows; what an envelope adds to it has not been measured
                both = self.found[j].log10_chance + other.log10_chance
                if both <= most:
                    for which, one in ((j, self.found[j].likeliest or other), (k, other)):
                        evidence = (*one.evidence, ("log10_chance_of_two", round(both, 1)))
                        self.found[which] = replace(
                            one, why="common sound, in two chapters that follow each other", evidence=evidence
                        )
                    return

    def _drop_overlaps(self) -> None:
        placed = [j for j, one in enumerate(self.found) if one.accepted]
        for i, j in zip(placed, placed[1:]):
            begins = self.found[j].line[0] - self.starts_s[j]
            ends = self.found[i].line[0] - self.starts_s[i] + self.files[i].duration_s
            if begins < ends - OVERLAP_S:
                weak = max((i, j), key=lambda k: self.found[k].log10_chance)
                other = j if weak == i else i
                self.found[weak] = replace(
                    self.found[weak],
                    accepted=False,
                    why=f"where it seems to fit it would overlap {self.files[other].path.name}",
                )
                self._drop_overlaps()
                return

    def _by_signature(self, j: int) -> None:
        heard = find_signatures(self._sound(j))
        if not heard:
            return
        if self.flight_sweeps is None:
            self.flight_sweeps = find_signatures(self.flight)
        mine, u_s = self.flight_sweeps, SIGNATURE_U_S
        if not mine:
            mine, u_s = [Signature(at_s, math.inf, 1.0) for at_s in self.played_s], PLAYED_U_S
        match = match_signatures([s.start_s for s in mine], [s.start_s for s in heard])
        if match is None or match[2] < 2:  # one by itself, or one too many: only what is surely a sweep
            match = match_signatures([s.start_s for s in mine if s.sure], [s.start_s for s in heard if s.sure])
        if match is None:
            return
        offset_s, drift, count = match
        unknown = 0.0 if drift else 50e-6 * max(heard[0].start_s, len(self._sound(j)) / RATE_HZ - heard[0].start_s)
        self.method[j] = "signature"
        self.found[j] = Alignment(
            accepted=True,
            why=f"{count} sync signature{'s' if count > 1 else ''}",
            offset_s=offset_s,
            drift_ppm=drift * 1e6,
            u_s=math.hypot(u_s, unknown, TRAVEL_U_S),
            to_s=len(self._sound(j)) / RATE_HZ,
            evidence=(("signatures", count),),
        )

    def linked(self, j: int) -> Linked:
        """The chapter as it came out, its map on the file's own clock."""
        file, one, start_s = self.files[j], self.found[j], self.starts_s[j]
        camera = self.files[0].path.stem
        if not one.accepted:
            return Linked(path=file.path, accepted=False, why=one.why, media=file, camera=camera, chapter=j + 1)
        offset_s, drift_ppm, u_s = one.line
        drift = drift_ppm * 1e-6
        length_s = len(self._sound(j)) / RATE_HZ
        end_s = max(file.duration_s, start_s + length_s)
        clock = ClockMap(
            source=str(file.path),
            offset_s=offset_s - start_s * (1 + drift),
            drift_ppm=drift_ppm,
            u_s=u_s,
            valid_from_s=0.0 if one.from_s <= 0 else start_s + one.from_s,
            valid_to_s=end_s if one.to_s >= length_s - 0.01 else start_s + one.to_s,
            method=self.method[j],
            evidence=one.evidence,
        )
        why = one.why + (f"; {self.said[j]}" if self.said[j] else "")
        return Linked(
            path=file.path,
            accepted=True,
            why=why,
            clock_map=clock,
            media=file,
            camera=camera,
            chapter=j + 1,
            sha256=fingerprint(file.path),
        )


def by_hand(path: Path, marks: Sequence[tuple[float, float]]) -> Linked:
    """A camera put on the flight clock by a person.

    Parameters
    ----------
    marks : sequence of (float, float)
        The same moment on the camera's and on the flight's clock [s]; with two or more that lie a
        minute apart the drift is found as well.

    Raises
    ------
    SyncError
        The file cannot be used, a mark lies outside it, or two marks contradict each other.
    """
    file = probe(path)
    x, y = np.array([m[0] for m in marks], float), np.array([m[1] for m in marks], float)
    outside = x[(x < 0) | (x > file.duration_s + 1)]
    if len(outside):
        raise SyncError(f"{path}: mark at {outside[0]:g} s of the video; expected 0 to {file.duration_s:.1f} s")
    drift = 0.0
    if len(x) > 1:
        slope, _ = np.polyfit(x - x.mean(), y - x, 1) if np.ptp(x) > 0 else (0.0, 0.0)
        off_s = float(np.abs((y - x) - np.mean(y - x)).max())
        if off_s > 0.5 + 300e-6 * float(np.ptp(x)):
            raise SyncError(f"{path}: the marks disagree by {off_s:.2f} s; expected the same moments in both")
        drift = float(slope) if np.ptp(x) >= 600 else 0.0
    offset_s = float(np.mean(y - x * (1 + drift)))
    u_s = math.hypot(HAND_U_S / math.sqrt(len(x)), 0.0 if drift else 50e-6 * file.duration_s)
    clock = ClockMap(
        source=str(file.path),
        offset_s=offset_s,
        drift_ppm=drift * 1e6,
        u_s=u_s,
        valid_from_s=0.0,
        valid_to_s=file.duration_s,
        method="hand",
        evidence=(("marks", len(x)),),
    )
    return Linked(
        path=file.path,
        accepted=True,
        why="placed by hand",
        clock_map=clock,
        media=file,
        camera=file.path.stem,
        sha256=fingerprint(file.path),
    )


def _plain(err: SyncError, path: Path) -> str:
    return str(err).removeprefix(f"{path}: ").rstrip(".")
