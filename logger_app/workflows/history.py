"""The line of a design for the screens: the campaign reduced with its tuft marks, and a wing drawn with what is fitted.

Words, tables and drawings are the report's own, so that a person reads the same in both.
Main names: `load_history`, `History`, `wing_of_configuration`, `colour`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger_app.domain.fitted import fitted_to
from logger_app.domain.planform import drawing_of
from logger_app.domain.station_ratios import station_ratios
from logger_app.domain.tufts import RunMarks
from logger_app.plan.cards_io import campaign_file, read_text
from logger_app.records.plan import Campaign
from logger_app.report.generations import Generation, caption, evidence, facts, generations, not_flown
from logger_app.report.layout import Drawing, Label, Marker, Stroke
from logger_app.report.shown import VERDICT_SIGNS, ShownTable, generation_table, line_table
from logger_app.report.style import ROLES
from logger_app.report.svg import marker_lines
from logger_app.report.wing_drawing import MAP_WORDS, wing_figure
from logger_app.report.words import Units

__all__ = [
    "MAP_WORDS",
    "VERDICT_SIGNS",
    "Drawing",
    "Generation",
    "History",
    "Label",
    "Marker",
    "ShownTable",
    "Stroke",
    "caption",
    "colour",
    "facts",
    "generation_table",
    "line_table",
    "load_history",
    "marker_lines",
    "wing_of_configuration",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Every configuration in the order of its line, and what the data show of the last. `text` is campaign.toml as read."""

    file: Path
    text: str
    name: str
    units: Units
    generations: tuple[Generation, ...]
    evidence: tuple[str, ...] = ()


def load_history(folder: Path, progress: Callable[[float], object] = lambda share: None) -> History:
    """Read and reduce a campaign, flight by flight; also one without flights.

    Raises
    ------
    LoggerError
        The campaign or a journal cannot be read.
    """
    from logger_app.workflows.campaign import FlightByFlight
    from logger_app.workflows.tufts import marks_of_flight, wings_of_one_sided

    file = campaign_file(Path(folder))
    text = read_text(file)
    reader = FlightByFlight(Path(folder))
    marked: list[RunMarks] = []
    stalls: dict[tuple[str, str], float | None] = {}
    for k, (data, runs) in enumerate(reader, 1):
        marked += marks_of_flight(data, reader.rows)
        stalls |= {(data.info.id, run.run): run.vs_ias_kt for run in runs}
        progress(k / len(reader))
    campaign, reduction = reader.campaign, reader.reduction()
    stations = station_ratios(marked, stalls)
    line = generations(campaign, reduction, stations, wings_of_one_sided(reduction.one_sided, marked))
    return History(
        file=file,
        text=text,
        name=campaign.name or file.parent.name,
        units=Units(campaign.indicator.unit, "kg", campaign.aircraft.reference_weight_kg),
        generations=line,
        evidence=(*evidence(campaign, stations), *not_flown(line)) if len(campaign.configurations) > 2 else (),
    )


def wing_of_configuration(campaign: Campaign, configuration: str) -> Drawing:
    """The wing with all that is fitted in a configuration; what it fitted itself stands out."""
    drawing = drawing_of(campaign.aircraft, fitted_to(campaign, configuration), configuration)
    return wing_figure(drawing, f"wing-{configuration}", f"{configuration}: what is fitted")


def colour(role: str, dark: bool) -> str:
    """A role of the report's figures as ``#rrggbb``, on a light or a dark ground."""
    return ROLES[role][dark]
