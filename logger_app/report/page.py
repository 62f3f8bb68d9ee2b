"""A page's data to HTML: figures drawn, templates filled, every text escaped. Pure but for its own templates."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

from logger_app import __version__
from logger_app.domain.tufts import TuftMark, view_of
from logger_app.report import shown, words
from logger_app.report.extras import Extras
from logger_app.report.figures import (
    against_entry_rate,
    approaches,
    every_run,
    forest,
    tuft_map,
    warning_figure,
    wing_map,
)
from logger_app.report.generations import Generation, caption, evidence, facts, generations, not_flown
from logger_app.report.headline import Statement, caveats, headline
from logger_app.report.layout import lay_out
from logger_app.report.media import Media
from logger_app.report.plot import Figure, Grid, Picture
from logger_app.report.prose import CAUTIONS, METHOD, SOURCES_NOTE
from logger_app.report.shown import ShownTable
from logger_app.report.style import ROLES, look_of, role_of
from logger_app.report.svg import marker_path, page_colours, to_svg
from logger_app.report.view import Page, Pair, PointView, Side
from logger_app.report.wing_drawing import MAP_WORDS

# Names of files that the page lists; the rest is in versions.json.
MAX_FILES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class PairAnswer:
    """All that the answer has of one pair of configurations; `number` is its place among the pairs, from 1."""

    number: int
    pair: Pair
    said: tuple[Statement, ...]
    caveats: tuple[str, ...]
    figures: tuple[Figure, ...]
    table: ShownTable


def answers(page: Page) -> tuple[PairAnswer, ...]:
    """The answer of each pair, in the order planned: the last one leads the page."""
    return tuple(
        PairAnswer(
            number=k,
            pair=pair,
            said=headline(pair, page.units),
            caveats=caveats(pair, page.units),
            figures=tuple(
                figure
                for figure in (
                    forest(pair, f"forest-{k}", page.units),
                    warning_figure(pair, f"warning-{k}", page.units),
                )
                if figure
            ),
            table=shown.answer_table(pair, page),
        )
        for k, pair in enumerate(page.pairs, 1)
    )


def all_figures(page: Page) -> list[Picture]:
    """Every picture of the page, those of the answer first."""
    found: list[Picture | None] = [figure for one in answers(page) for figure in one.figures]
    return [figure for figure in (*found, every_run(page), *(f for v in page.points for f in v.figures)) if figure]


def line_of_design(page: Page) -> tuple[Generation, ...]:
    """The generations, where there are more than two, or where what is fitted is given in rows; else none."""
    campaign = page.campaign
    with_rows = any(change.rows for config in campaign.configurations for change in config.changes)
    return (
        generations(campaign, page.reduction, page.stations, page.paired)
        if len(campaign.configurations) > 2 or with_rows
        else ()
    )


def line_evidence(page: Page) -> tuple[str, ...]:
    """What the line shows and what is not known, as sentences; none where there is no line."""
    line = line_of_design(page)
    few = len(page.campaign.configurations) <= 2
    return () if few else (*evidence(page.campaign, page.stations), *not_flown(line))


def add_figures(page: Page, extras: Extras) -> None:
    """Make the figures of every test point: `figures` of its points are filled in."""
    tufts: dict[str, list[TuftMark]] = {}
    for flight, mark in extras.tufts:
        tufts.setdefault(flight, []).append(mark)
    for view in page.points:
        found: list[Picture | None] = [approaches(view, page.units), against_entry_rate(view, page.units)]
        for side in view.sides:
            marks = _tufts_of(side, tufts)
            views = dict.fromkeys(map(view_of, marks))
            found += [tuft_map(side, view, [m for m in marks if view_of(m) == seen], page.unit) for seen in views]
        found += [_wing(one, view, page) for one in extras.wings if one.point == view.point.id]
        view.figures = [figure for figure in found if figure]


def _wing(one, view: PointView, page: Page):
    series = next((side.series for side in view.sides if side.configuration.id == one.configuration), 0)
    return wing_map(one, view, {c.id: c.name for c in page.campaign.configurations}, series, page.unit)


def _tufts_of(side: Side, tufts: dict[str, list[TuftMark]]) -> list[TuftMark]:
    return [
        mark
        for view in side.runs
        for mark in tufts.get(view.flight, ())
        if mark.run == view.run.id or (not mark.run and view.run.start_ns <= mark.flight_ns < view.run.end_ns)
    ]


def render_page(page: Page, media: Media, extras: Extras, files: list[str], made_utc: str) -> str:
    """The page as HTML.

    Parameters
    ----------
    media : Media
        What was put in and what was left out.
    files : list of str
        Names of the files beside the page.
    """
    from markupsafe import Markup

    script = _source("page.js")
    return (
        _environment(page.units)
        .get_template("page.html.j2")
        .render(
            page=page,
            app=__version__,
            made_utc=made_utc,
            css=Markup(stylesheet()),
            js=Markup(script),
            script_hash=base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii"),
            counting=sum(run.counts for run in page.runs),
            unreviewed=unreviewed_sentence(page),
            pairs=answers(page),
            line=line_of_design(page),
            strips={one.configuration: (media.take(one.jpeg, "image/jpeg"), one) for one in extras.line},
            line_evidence=line_evidence(page),
            line_table=shown.line_table,
            generation_table=shown.generation_table,
            caption=caption,
            facts=facts,
            map_words=MAP_WORDS,
            single=shown.single_table(page),
            every_run=every_run(page),
            no_comparison=no_comparison(page),
            flown=shown.flown_words(page),
            cautions=CAUTIONS,
            method=METHOD,
            rules=page.reduction.rules,
            sources_note=SOURCES_NOTE,
            media_words=media_words(media),
            any_sound=media.sounds > 0,
            any_frame=media.frames > 0,
            runs_table=shown.runs_table(page),
            excluded=shown.excluded_table(page),
            corrected=shown.corrections_table(page),
            flights=shown.flights_table(page),
            conditions=shown.conditions_table(page, dict(extras.conditions)),
            photos=photos_by_configuration(extras, media),
            budget=lambda name, terms, comparison: shown.budget_table(name, terms, comparison, page),
            cameras=extras.cameras,
            most_files=MAX_FILES,
            most_rows=shown.MAX_FLIGHTS,
            versions=extras.versions,
            files=files,
            anchors={view.point.id: view.anchor for view in page.points if view.sides},
            names={c.id: c.name for c in page.campaign.configurations},
            methods=words.METHODS,
            statuses=words.STATUS,
            run_basis=lambda result: words.basis_words("std", result.basis, page.units),
            sides=lambda view: shown.sides_table(view, page),
        )
    )


def stylesheet() -> str:
    """The page's style with the figures' colours in it."""
    light, dark = page_colours()
    figures = "".join(f".s-{role}{{stroke:var(--{role})}}.f-{role}{{fill:var(--{role})}}" for role in ROLES)
    return _source("page.css").replace("LIGHT", light).replace("DARK", dark).replace("FIGURES", figures)


def _source(name: str) -> str:
    return resources.files("logger_app.report").joinpath("templates", name).read_text("utf-8")


@cache
def _environment(units: words.Units):
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup, escape

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
        "speed": units.text,
        "span": units.span,
        "weight": units.weight,
        "clock": words.clock,
        "sentence": lambda c, label, changed: words.sentence(c, label, changed, units),
        "basis": lambda c: words.basis_words(c.basis, c.load_factor_basis, units, c.at_reference_weight),
        "level": lambda c: words.interval_words(c.level),
        "p": lambda p: words.NONE if p is None else "below 0.001" if p < 0.001 else f"{p:.3f}",
        "event": words.event_words,
        "lines": lambda text: Markup("<br>").join(escape(words.printable(line)) for line in text.split("\n")),
        "marker": lambda series: marker_path(look_of(series).marker, 8, 8, 5),
        "shape": lambda series: look_of(series).marker,
        "role": role_of,
        "slim": slim,
        "svg": lambda figure: Markup(to_svg(lay_out(figure))),
        "wing": lambda drawing: Markup(to_svg(drawing)),
    }
    return environment


def slim(figure: Picture) -> Picture:
    """The same figure for a phone: as wide as one, without what is written beside each line."""
    if isinstance(figure, Grid):
        columns = 1 if figure.id.endswith("approaches") else 2
        return replace(figure, id=f"{figure.id}-slim", width=400.0, columns=columns)
    left = 44.0 if figure.y.names else 50.0
    y = replace(figure.y, notes=(), values=(), values_head="")
    return replace(
        figure, id=f"{figure.id}-slim", width=400.0, height=min(figure.height, 380.0), left=left, right=14.0, y=y
    )


def photos_by_configuration(extras: Extras, media: Media) -> list[tuple[str, list[tuple[str, str]]]]:
    """(configuration, [(file, data URI)]) of the photographs that there was room for."""
    found: dict[str, list[tuple[str, str]]] = {}
    for photo in extras.photos:
        if uri := media.take(photo.jpeg, "image/jpeg"):
            found.setdefault(photo.configuration, []).append((photo.file, uri))
    return list(found.items())


def no_comparison(page: Page) -> str:
    """Why there is nothing to compare."""
    flown = sorted({run.configuration for run in page.runs if run.configuration})
    if len(flown) < 2:
        return f"Only one configuration has been flown ({', '.join(flown) or 'not named'}): there is nothing to compare yet."
    return "No configuration was compared with another: none of those flown has a flown parent."


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
        parts.append("no picture could be read from the camera files")
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
