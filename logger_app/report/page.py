"""A page's data to HTML: figures drawn, templates filled, every text escaped. Pure but for its own templates."""

from __future__ import annotations

import base64
import hashlib
import statistics
from dataclasses import replace
from functools import cache
from importlib import resources

from logger_app import __version__
from logger_app.report import words
from logger_app.report.extras import Extras
from logger_app.report.figures import (
    against_entry_rate,
    approaches,
    drawn_words,
    forest,
    tuft_map,
    warning_margins,
    wing_map,
)
from logger_app.report.layout import lay_out
from logger_app.report.media import Media
from logger_app.report.plot import Figure
from logger_app.report.prose import CAUTIONS, METHOD, SOURCES_NOTE
from logger_app.report.style import ROLES, look_of, role_of
from logger_app.report.svg import marker_path, page_colours, to_svg
from logger_app.report.view import Page, PointView, Side
from logger_app.units import NS_PER_S

# Names of files, and rows of flights and cameras, that the page lists; the rest is in versions.json.
MAX_FILES = 60
MAX_ROWS = 500


def add_figures(page: Page, extras: Extras) -> None:
    """Make the figures of every test point.

    Parameters
    ----------
    page : Page
        Changed in place: `figures` of its points.
    """
    tufts: dict[str, list] = {}
    for mark in extras.tufts:
        tufts.setdefault(mark.flight, []).append(mark)
    for view in page.points:
        found = [approaches(view, page.unit), against_entry_rate(view), warning_margins(view)]
        found += [tuft_map(side, view, _tufts_of(side, tufts), page.unit) for side in view.sides]
        found += [_wing(one, view, page) for one in extras.wings if one.point == view.point.id]
        view.figures = [figure for figure in found if figure]


def forests(page: Page) -> list[Figure | None]:
    """The forest plot of each pair of configurations.

    Returns
    -------
    list[Figure | None]
        One a pair; None where nothing could be compared.
    """
    return [forest(pair, f"forest-{k}") for k, pair in enumerate(page.pairs, 1)]


def _wing(one, view: PointView, page: Page):
    series = next((side.series for side in view.sides if side.configuration.id == one.configuration), 0)
    return wing_map(one, view, {c.id: c.name for c in page.campaign.configurations}, series, page.unit)


def _tufts_of(side: Side, tufts: dict[str, list]) -> list:
    marks = []
    for run in side.runs:
        begin, end = run.run.start_ns / NS_PER_S, run.run.end_ns / NS_PER_S
        marks += [m for m in tufts.get(run.flight, ()) if begin <= m.flight_s < end]
    return marks


def render_page(page: Page, media: Media, extras: Extras, files: list[str], made_utc: str) -> str:
    """The whole page.

    Parameters
    ----------
    media : Media
        What was put in and what was left out.
    files : list of str
        Names of the files beside the page.
    """
    environment = _environment(page.unit)
    script = _source("page.js")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    unreviewed, every = page.unreviewed
    from markupsafe import Markup

    return environment.get_template("page.html.j2").render(
        page=page,
        app=__version__,
        made_utc=made_utc,
        css=Markup(stylesheet()),
        js=Markup(script),
        script_hash=digest,
        counting=sum(run.counts for run in page.runs),
        reviewed_pct=100.0 * (1 - unreviewed / every) if every else 0.0,
        unreviewed=unreviewed_sentence(page),
        forests=forests(page),
        single=single_cells(page),
        no_comparison=no_comparison(page),
        flown=flown_words(page),
        cautions=CAUTIONS,
        method=METHOD,
        rules=page.reduction.rules,
        sources_note=SOURCES_NOTE,
        media_words=media_words(media),
        any_sound=media.sounds > 0,
        any_frame=media.frames > 0,
        cameras=extras.cameras,
        most_files=MAX_FILES,
        most_rows=MAX_ROWS,
        versions=extras.versions,
        files=files,
        anchors={view.point.id: view.anchor for view in page.points if view.sides},
        names={c.id: c.name for c in page.campaign.configurations},
        verdicts=words.VERDICTS,
        methods=words.METHODS,
        bases=words.BASES,
        statuses=words.STATUS,
    )


def stylesheet() -> str:
    """The page's style with the figures' colours in it."""
    light, dark = page_colours()
    figures = "".join(f".s-{role}{{stroke:var(--{role})}}.f-{role}{{fill:var(--{role})}}" for role in ROLES)
    return _source("page.css").replace("LIGHT", light).replace("DARK", dark).replace("FIGURES", figures)


def _source(name: str) -> str:
    return resources.files("logger_app.report").joinpath("templates", name).read_text("utf-8")


@cache
def _environment(unit: str):
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("logger_app.report", "templates"),
        autoescape=True,
        finalize=lambda value: words.printable(value) if type(value) is str else value,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "num": words.number,
        "span": lambda low, high, signed=True: words.interval(low, high, 1, signed),
        "ias": lambda value, places=1: words.indicated(value, unit, places),
        "clock": words.clock,
        "sentence": words.sentence,
        "p": lambda p: words.NONE if p is None else "below 0.001" if p < 0.001 else f"{p:.3f}",
        "tally": words.tally,
        "event": words.event_words,
        "margin": margin_words,
        "together": lambda terms: words.number(sum(t.u_kt**2 for t in terms) ** 0.5, 2),
        "marker": lambda series: marker_path(look_of(series).marker, 8, 8, 5),
        "shape": lambda series: look_of(series).marker,
        "role": role_of,
        "drawn": drawn_words,
        "slim": slim,
        "svg": lambda figure: Markup(to_svg(lay_out(figure))),
    }
    return environment


def slim(figure: Figure) -> Figure:
    """The same figure for a phone: as wide as one, without the second line under each name."""
    left = 60.0 if figure.y.names else 50.0
    y = replace(figure.y, notes=())
    return replace(figure, id=f"{figure.id}-slim", width=400.0, height=min(figure.height, 380.0), left=left, y=y)


def margin_words(side: Side) -> str:
    """Mean warning margin of a side, with how many runs it rests on."""
    margins = [margin for _, margin in side.margins]
    if not margins:
        return words.NONE
    return f"{words.number(statistics.fmean(margins))} ({words.count(len(margins), 'run')})"


def single_cells(page: Page) -> list[tuple[PointView, Side, object]]:
    """Cells that no comparison shows."""
    compared = {(c.point, name) for c in page.reduction.comparisons for name in (c.reference, c.changed)}
    return [
        (view, side, cell)
        for view in page.points
        for side in view.sides
        for cell in side.cells
        if (view.point.id, side.configuration.id) not in compared
    ]


def no_comparison(page: Page) -> str:
    """Why there is nothing to compare."""
    flown = sorted({run.configuration for run in page.runs if run.configuration})
    if len(flown) < 2:
        return f"Only one configuration has been flown ({', '.join(flown) or 'not named'}): there is nothing to compare yet. Its stall speeds:"
    return "No configuration was compared with another: none of those flown has a flown parent. The stall speeds:"


FLOWN = (
    ("altitude_ft", "altitude", "ft", 0),
    ("density_altitude_ft", "density altitude", "ft", 0),
    ("weight_kg", "weight", "kg", 0),
    ("cg_mm", "centre of gravity", "mm aft of datum", 0),
    ("entry_rate_kt_per_s", "entry rate", "kt/s", 1),
    ("bank_deg", "bank", "deg", 0),
)


def flown_words(page: Page) -> str:
    """The ranges that were flown by the runs that count: atmosphere, loading, entry rate, bank."""
    parts = []
    for field, name, unit, places in FLOWN:
        values = [getattr(run.result, field) for run in page.runs if run.counts]
        values = [value for value in values if value is not None]
        if not values:
            parts.append(f"{name} not recorded")
            continue
        low, high = words.number(min(values), places), words.number(max(values), places)
        parts.append(f"{name} {low} {unit}" if low == high else f"{name} {low} to {high} {unit}")
    return "; ".join(parts) + "."


def media_words(media: Media) -> str:
    """What sound and pictures there are, and what is missing.

    Parameters
    ----------
    media : Media
        What was put in and left out.
    """
    parts = [f"{words.count(media.sounds, 'call')} with sound" if media.sounds else "No sound is embedded"]
    if media.sounds and media.no_sound:
        parts[0] += f", {media.no_sound} without"
    if media.frames:
        parts.append(
            f"{words.count(media.frames, 'call')} with a picture"
            + (f", {media.no_frame} without" if media.no_frame else "")
        )
    elif media.frames_wanted:
        parts.append("no picture could be had from the camera files")
    else:
        parts.append("no camera")
    if media.sparing:
        parts.append("pictures at events only, for the camera's files are large (--every-picture makes them all)")
    if media.over_budget:
        parts.append(f"{media.over_budget} left out to keep the page small")
    return "; ".join(parts) + "."


def unreviewed_sentence(page: Page) -> str:
    """How much nobody has looked at, for the top of the report; empty when all is reviewed."""
    unreviewed, every = page.unreviewed
    if not unreviewed:
        return ""
    if unreviewed == every:
        return "No call has been looked at by a person yet: every figure rests on what the machine heard."
    return f"{unreviewed} of {words.count(every, 'call')} in runs have not been looked at by a person."
