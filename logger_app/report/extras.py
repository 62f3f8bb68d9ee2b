"""What a report may show besides calls and results: cameras, tuft states, the campaign file. All optional."""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.domain.cameras import CameraFile
from logger_app.domain.moments import USUAL, Moment, moments
from logger_app.domain.tufts import TuftMark
from logger_app.domain.wing_words import MapCell
from logger_app.records.stills import SavedPicture


@dataclass(frozen=True, slots=True, kw_only=True)
class WingCell:
    """One station of a wing map: percent of span and chord, how it is drawn, and what that says in words."""

    span_pct: float
    chord_pct: float
    drawn: MapCell
    description: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WingMap:
    """A wing from above: where it first separated, or the difference to the reference.

    `configuration` is the one shown or, with a `reference`, the changed one; `view` is the wing and the camera.
    """

    point: str
    configuration: str
    view: str = ""
    reference: str = ""
    cells: tuple[WingCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedStill:
    """A picture saved from comparing, as JPEG, and what it shows."""

    about: SavedPicture
    jpeg: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePicture:
    """One generation's wings at the same ratios to the stall, as one JPEG; empty where no camera showed it (`description`)."""

    configuration: str
    caption: str
    description: str
    jpeg: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """The air at the aerodrome of a flight; None and empty where nothing is known."""

    wind: str = ""
    oat_degc: float | None = None
    qnh_hpa: float | None = None
    pressure_altitude_ft: float | None = None
    density_altitude_ft: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photograph of what was fitted, as a small JPEG; `file` is its name in the campaign."""

    configuration: str
    file: str
    jpeg: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """All of it.

    `campaign_file` is the content of the campaign's file as it was read; `versions` are (name,
    version) of what made the report; `columns` are the moments on the contact sheets;
    `few_pictures` asks for those of events and sheets only.
    """

    cameras: tuple[CameraFile, ...] = ()
    tufts: tuple[tuple[str, TuftMark], ...] = ()  # (flight, mark)
    wings: tuple[WingMap, ...] = ()
    stills: tuple[SavedStill, ...] = ()
    photos: tuple[Photo, ...] = ()
    line: tuple[LinePicture, ...] = ()
    conditions: tuple[tuple[str, Conditions], ...] = ()  # by flight
    campaign_file: bytes | None = None
    versions: tuple[tuple[str, str], ...] = ()
    columns: tuple[Moment, ...] = moments(USUAL, "kt")
    few_pictures: bool = False
