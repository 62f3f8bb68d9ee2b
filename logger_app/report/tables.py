"""The four tables as columns with units in their names, made harmless for spreadsheets. Pure.

Runs and calls come a flight at a time, points and comparisons at the end.

Speeds are in knots and the kind is in the name; `value` and `unit` of a call are as the pilot
said them. A missing value is an empty cell (CSV) or null (Parquet).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger_app.records.plan import Campaign
from logger_app.records.results import Cell
from logger_app.report.view import CallView, FlightView, Page, RunView, margin_kt

if TYPE_CHECKING:
    import pandas as pd

# A cell that begins with one of these is taken for a formula by spreadsheets (OWASP, "CSV
# Injection"; tab and carriage return too).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

TEXT, REAL, WHOLE, YES = "text", "real", "whole", "yes"
DTYPES = {TEXT: "string", REAL: "float64", WHOLE: "Int64", YES: "boolean"}
MAX_RUN_IDS = 500


@dataclass(frozen=True, slots=True)
class Table:
    """A table: (column, kind) pairs and rows of plain values. Kinds: text, real, whole, yes."""

    name: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple, ...]

    def frame(self) -> pd.DataFrame:
        """The same as a DataFrame; the CSV and Parquet files are written from it.

        Returns
        -------
        DataFrame
            Columns of dtype string, float64, Int64 or boolean; what is missing is NA, of a float NaN.
        """
        import pandas as pd

        columns = zip(*self.rows, strict=True) if self.rows else [()] * len(self.columns)
        return pd.DataFrame(
            {
                name: pd.Series(list(values), dtype=DTYPES[kind])
                for (name, kind), values in zip(self.columns, columns, strict=True)
            }
        )


def harmless(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe is put before one that begins like it.

    Returns
    -------
    str
        The same, or with an apostrophe before it.

    Examples
    --------
    >>> harmless("=1+1"), harmless("plain")
    ("'=1+1", 'plain')
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


RUN_COLUMNS = (
    ("flight", TEXT),
    ("run", TEXT),
    ("run_number", WHOLE),
    ("configuration", TEXT),
    ("point", TEXT),
    ("power", TEXT),
    ("flap_deg", REAL),
    ("bank_deg", REAL),
    ("start_s", REAL),
    ("end_s", REAL),
    ("event_flight_s", REAL),
    ("event", TEXT),
    ("method", TEXT),
    ("counts", YES),
    ("why", TEXT),
    ("reviewed", YES),
    ("vs_ias_kt", REAL),
    ("vs_ias_u_kt", REAL),
    ("vs_cas_kt", REAL),
    ("vs_cas_u_kt", REAL),
    ("vs_std_cas_kt", REAL),
    ("vs_std_cas_u_kt", REAL),
    ("basis", TEXT),
    ("entry_rate_kt_per_s", REAL),
    ("entry_rate_u_kt_per_s", REAL),
    ("buffet_ias_kt", REAL),
    ("warning_ias_kt", REAL),
    ("wing_drop", TEXT),
    ("altitude_ft", REAL),
    ("altitude_lost_ft", REAL),
    ("weight_kg", REAL),
    ("weight_u_kg", REAL),
    ("cg_mm", REAL),
    ("warning_margin_kt", REAL),
    ("bank_flown_deg", REAL),
    ("cl_max", REAL),
    ("density_altitude_ft", REAL),
    ("extrapolated_ias_kt", REAL),
    ("calls_used", TEXT),
    ("caveats", TEXT),
    ("notes", TEXT),
)


def runs_table(flight: FlightView, campaign: Campaign) -> Table:
    """One row a run of a flight, also those that do not count."""
    points = {point.id: point for point in campaign.points}
    return Table("runs", RUN_COLUMNS, tuple(_run_row(run, points.get(run.run.point or "")) for run in flight.runs))


def _run_row(view: RunView, point) -> tuple:
    r, run = view.result, view.run
    head = (
        view.flight,
        run.id,
        run.number,
        view.configuration,
        run.point,
        point.power if point else run.settings.power,
        point.flap_deg if point else run.settings.flap_deg,
        point.bank_deg if point else run.settings.bank_deg,
        run.start_s,
        run.end_s,
    )
    why = "; ".join(view.why)
    if r is None:
        blank = (None,) * (len(RUN_COLUMNS) - len(head) - 6)
        return (*head, None, None, None, False, why, run.reviewed, *blank)
    return (
        *head,
        r.event_flight_s,
        str(r.event),
        r.method,
        r.counts,
        why,
        r.reviewed,
        r.vs_ias_kt,
        r.vs_ias_u_kt,
        r.vs_cas_kt,
        r.vs_cas_u_kt,
        r.vs_std_kt,
        r.vs_std_u_kt,
        r.basis,
        r.entry_rate_kt_per_s,
        r.entry_rate_u_kt_per_s,
        r.buffet_ias_kt,
        r.warning_ias_kt,
        r.wing_drop,
        r.altitude_ft,
        r.altitude_lost_ft,
        r.weight_kg,
        r.weight_u_kg,
        r.cg_mm,
        margin_kt(r),
        r.bank_deg,
        r.cl_max,
        r.density_altitude_ft,
        r.extrapolated_kt,
        " ".join(r.calls_used),
        "; ".join(r.caveats),
        "; ".join(r.notes),
    )


CALL_COLUMNS = (
    ("flight", TEXT),
    ("run", TEXT),
    ("call", TEXT),
    ("flight_s", REAL),
    ("end_s", REAL),
    ("kind", TEXT),
    ("name", TEXT),
    ("value", TEXT),
    ("unit", TEXT),
    ("ias_kt", REAL),
    ("status", TEXT),
    ("heard_value", TEXT),
    ("words", TEXT),
    ("posterior", REAL),
    ("flags", TEXT),
    ("used_in_fit", YES),
    ("left_out_why", TEXT),
    ("corrected_by", TEXT),
    ("corrected_utc", TEXT),
    ("corrected_why", TEXT),
)


def calls_table(flight: FlightView) -> Table:
    """One row a call of a flight, in runs or not."""
    run_of = {call.call.id: run.run.id for run in flight.runs for call in run.calls}
    return Table("calls", CALL_COLUMNS, tuple(_call_row(call, run_of.get(call.call.id)) for call in flight.calls))


def _call_row(view: CallView, run: str | None) -> tuple:
    c, last = view.call, view.corrections[-1] if view.corrections else None
    return (
        view.flight,
        run,
        c.id,
        c.flight_s,
        c.end_ns / 1e9,
        str(c.kind),
        c.name,
        _text(c.value),
        c.unit,
        c.ias_kt,
        str(c.status),
        _text(c.heard_value),
        c.heard.words if c.heard else "",
        c.posterior,
        " ".join(c.flags),
        view.used,
        view.left_out,
        last.who if last else "",
        last.utc if last else "",
        last.why if last else "",
    )


POINT_COLUMNS = (
    ("point", TEXT),
    ("card", TEXT),
    ("power", TEXT),
    ("flap_deg", REAL),
    ("bank_deg", REAL),
    ("configuration", TEXT),
    ("event", TEXT),
    ("n", WHOLE),
    ("vs_ias_kt", REAL),
    ("vs_ias_sd_kt", REAL),
    ("vs_ias_u_kt", REAL),
    ("vs_std_cas_kt", REAL),
    ("vs_std_cas_sd_kt", REAL),
    ("vs_std_cas_u_kt", REAL),
    ("vs_std_cas_low_kt", REAL),
    ("vs_std_cas_high_kt", REAL),
    ("vs_std_cas_total_low_kt", REAL),
    ("vs_std_cas_total_high_kt", REAL),
    ("vs_std_cas_at_1_kt_per_s_kt", REAL),
    ("entry_rate_kt_per_s", REAL),
    ("wing_drop_left", WHOLE),
    ("wing_drop_right", WHOLE),
    ("wing_drop_none", WHOLE),
    ("wing_drop_not_called", WHOLE),
    ("warning_margin_kt", REAL),
    ("runs", TEXT),
    ("reviewed", YES),
    ("notes", TEXT),
)


def points_table(page: Page) -> Table:
    """One row a test point, configuration and kind of event."""
    rows = []
    for view in page.points:
        p = view.point
        for side in view.sides:
            drops, margins = dict(side.wing_drops), [margin for _, margin in side.margins]
            margin = sum(margins) / len(margins) if margins else None
            for c in side.cells:
                rows.append(
                    (
                        p.id,
                        p.card,
                        p.power,
                        p.flap_deg,
                        p.bank_deg,
                        c.configuration,
                        c.event,
                        c.n,
                        c.vs_ias_kt,
                        c.vs_ias_sd_kt,
                        c.vs_ias_u_kt,
                        c.vs_std_kt,
                        c.vs_std_sd_kt,
                        c.vs_std_u_kt,
                        c.low_kt,
                        c.high_kt,
                        c.total_low_kt,
                        c.total_high_kt,
                        c.at_1_kt_per_s_kt,
                        c.entry_rate_kt_per_s,
                        drops["left"],
                        drops["right"],
                        drops["none"],
                        drops.get("not called", 0),
                        margin,
                        _runs_of(c),
                        c.reviewed,
                        "; ".join(c.notes),
                    )
                )
    return Table("points", POINT_COLUMNS, tuple(rows))


def _runs_of(cell: Cell) -> str:
    """Every run's id while a spreadsheet's cell and a reader of CSV take them: 32,767 and 131,072 letters."""
    if len(cell.runs) <= MAX_RUN_IDS:
        return " ".join(cell.runs)
    return f"{len(cell.runs)} runs: those of runs.csv with this point and configuration that count"


COMPARISON_COLUMNS = (
    ("point", TEXT),
    ("power", TEXT),
    ("flap_deg", REAL),
    ("bank_deg", REAL),
    ("reference", TEXT),
    ("changed", TEXT),
    ("n_reference", WHOLE),
    ("n_changed", WHOLE),
    ("basis", TEXT),
    ("method", TEXT),
    ("difference_cas_kt", REAL),
    ("u_kt", REAL),
    ("low_kt", REAL),
    ("high_kt", REAL),
    ("p", REAL),
    ("p_adjusted", REAL),
    ("smallest_shown_kt", REAL),
    ("verdict", TEXT),
    ("words", TEXT),
    ("wing_drop_p", REAL),
    ("warning_margin_change_kt", REAL),
    ("reviewed", YES),
    ("notes", TEXT),
    ("difference_ias_kt", REAL),
    ("at_reference_weight", YES),
)


def comparisons_table(page: Page) -> Table:
    """One row a comparison: changed minus reference."""
    points = {view.point.id: view.point for view in page.points}
    rows = []
    for c in page.reduction.comparisons:
        p = points.get(c.point)
        rows.append(
            (
                c.point,
                p and p.power,
                p and p.flap_deg,
                p and p.bank_deg,
                c.reference,
                c.changed,
                c.n_reference,
                c.n_changed,
                c.basis,
                c.method,
                None if c.basis == "ias" else c.difference_kt,
                c.u_kt,
                c.low_kt,
                c.high_kt,
                c.p,
                c.p_adjusted,
                c.smallest_kt,
                c.verdict,
                c.words,
                c.wing_drop_p,
                c.warning_margin_change_kt,
                c.reviewed,
                "; ".join(c.notes),
                c.difference_kt if c.basis == "ias" else None,
                c.at_reference_weight,
            )
        )
    return Table("comparisons", COMPARISON_COLUMNS, tuple(rows))


def csv_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """The texts of a CSV file: what is missing is empty, numbers keep six decimals at most, no text is a formula."""
    import numpy as np

    cells = {}
    for name in frame.columns:
        column = frame[name]
        there = column.notna() & ~column.isin([np.inf, -np.inf])
        cells[name] = column.astype(object).map(_CELLS[str(column.dtype)]).where(there, "")
    return frame.assign(**cells)


def _real(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


_CELLS: dict[str, Callable[[Any], str]] = {
    "string": lambda value: harmless(str(value)),
    "float64": _real,
    "Int64": str,
    "boolean": lambda value: "true" if value is True else "false",
}


def _text(value) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)
