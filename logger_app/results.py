"""The results of a campaign as pandas DataFrames, for a notebook.

::

    from logger_app import results
    sparrow = results.load("sparrow")
    sparrow.runs, sparrow.calls, sparrow.points, sparrow.comparisons

The same rows and columns as `runs.csv`, `calls.csv`, `points.csv` and `comparisons.csv` of the report: speeds in knots
with their kind in the name, times on the flight clock in seconds, a missing value is NA. Journals are read and reduced
anew each time; nothing is written. A campaign of 20,000 runs needs room for all its calls here.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from logger_app.records.plan import Campaign
    from logger_app.records.results import Reduction


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """The tables of a campaign, and the records that they were made of."""

    runs: pd.DataFrame
    calls: pd.DataFrame
    points: pd.DataFrame
    comparisons: pd.DataFrame
    campaign: Campaign
    reduction: Reduction


def load(campaign_dir: str | Path) -> Results:
    """Read and reduce a campaign.

    Parameters
    ----------
    campaign_dir : str or Path
        The campaign's folder.

    Raises
    ------
    LoggerError
        The campaign or one of its journals cannot be read.
    """
    from logger_app.report.tables import (
        CALL_COLUMNS,
        RUN_COLUMNS,
        Table,
        calls_table,
        comparisons_table,
        points_table,
        runs_table,
    )
    from logger_app.report.view import PageBuilder
    from logger_app.workflows.campaign import FlightByFlight

    reader = FlightByFlight(Path(campaign_dir))
    builder = PageBuilder(reader.campaign)
    flights = [builder.add(data, runs) for data, runs in reader]
    page = builder.finish(reader.reduction(), empty_allowed=True)

    runs = [row for flight in flights for row in runs_table(flight, reader.campaign).rows]
    calls = [row for flight in flights for row in calls_table(flight).rows]
    return Results(
        runs=Table("runs", RUN_COLUMNS, tuple(runs)).frame(),
        calls=Table("calls", CALL_COLUMNS, tuple(calls)).frame(),
        points=points_table(page).frame(),
        comparisons=comparisons_table(page).frame(),
        campaign=reader.campaign,
        reduction=page.reduction,
    )
