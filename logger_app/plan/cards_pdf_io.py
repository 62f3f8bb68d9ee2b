"""Kneeboard cards on paper: the full fall-back for the tablet.

Two panels to a sheet, to be cut or folded: A5 on A4 landscape, or half letter on letter. Each
card has a panel to fly from and a panel to write on; every panel carries the floor, the team's
knock-it-off criteria and the cautions. Speeds are in the pilot's unit. Main name: `write_cards`.
"""

from __future__ import annotations

import importlib.util
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, KeepTogether, Paragraph, Spacer, Table

from logger_app.errors import ReportError
from logger_app.plan.flights import CardLoad, loads
from logger_app.plan.loading import lineage
from logger_app.plan.presets import CAUTIONS, DEFER
from logger_app.records.plan import Campaign, PlannedFlight, TestCard, TestPoint
from logger_app.units import from_kt

PAPERS = {"a5": landscape(A4), "half-letter": landscape(LETTER)}
_MARGIN = 8 * mm
_HEAD = 17 * mm
# 16 minutes of arc at 700 mm is 3.26 mm of capital height (NUREG-0700, minimum): 12.8 pt in a
# sans-serif of 0.71 em capitals. What is read in flight is not smaller than that.
_BODY_PT = 13.0
_SMALL_PT = 9.5
_ROW = 9.5 * mm
_GREY = colors.Color(0.88, 0.88, 0.88)


@dataclass(frozen=True, slots=True)
class _Panel:
    """What goes on one half of a sheet; what does not fit goes on to the next."""

    mark: str
    title: str
    right: str
    body: list[Flowable]


@dataclass(frozen=True, slots=True)
class _Look:
    plain: str
    bold: str

    def style(self, size: float = _BODY_PT, *, bold: bool = False, **more) -> ParagraphStyle:
        font = self.bold if bold else self.plain
        return ParagraphStyle("s", fontName=font, fontSize=size, leading=size * 1.18, **more)

    def text(self, words: str, size: float = _BODY_PT, *, bold: bool = False, **more) -> Paragraph:
        return Paragraph(escape(words), self.style(size, bold=bold, **more))

    def labelled(self, label: str, words: str, size: float = _BODY_PT) -> Paragraph:
        marked = f'<font name="{self.bold}">{escape(label)}</font>  {escape(words)}'
        return Paragraph(marked, self.style(size, spaceAfter=2.5))


def write_cards(
    out: Path,
    campaign: Campaign,
    *,
    paper: str = "a5",
    flight: PlannedFlight | None = None,
    runs: Mapping[str, int] | None = None,
) -> int:
    """Write the cards of a campaign, or of one flight, as a PDF.

    Parameters
    ----------
    out : Path
        The PDF; put in its place whole or not at all [-].
    campaign : Campaign
        Checked [-].
    paper : str
        ``a5`` (two on A4) or ``half-letter`` (two on letter) [-].
    flight : PlannedFlight, optional
        Only its cards, with its configuration, weight and CG; else all, to be filled in [-].
    runs : mapping of str to int, optional
        Runs by point id; else as many as each point wants [-].

    Returns
    -------
    int
        Sheets written [-].

    Raises
    ------
    ReportError
        The folder is not there or cannot be written to.
    """
    look = _look(campaign)
    panels = list(_panels(look, campaign, flight, runs))
    handle, beside = -1, ""
    try:
        handle, beside = tempfile.mkstemp(dir=out.parent, prefix=f".{out.name}.")
        os.close(handle)
        canvas = Canvas(beside, pagesize=PAPERS[paper], invariant=1)
        canvas.setTitle(f"Test cards: {campaign.name}")
        canvas.setAuthor("kneecall")
        sheets = _draw(canvas, look, campaign, panels, PAPERS[paper])
        canvas.save()
        os.chmod(beside, 0o644)
        with open(beside, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(beside, out)
    except OSError as err:
        raise ReportError(f"{out}: the cards could not be written: {err.strerror or err}") from err
    finally:
        if beside:
            Path(beside).unlink(missing_ok=True)
    return sheets


def _look(campaign: Campaign) -> _Look:
    """Fonts that travel with a library we have anyway; the one with more letters if it takes it."""
    spec = importlib.util.find_spec("kivy")
    if spec is None or not spec.submodule_search_locations:
        return _Look("Helvetica", "Helvetica-Bold")
    fonts = Path(next(iter(spec.submodule_search_locations))) / "data" / "fonts"
    for name, file in (("Card", "Roboto-Regular"), ("CardBold", "Roboto-Bold"), ("CardWide", "DejaVuSans")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(fonts / f"{file}.ttf")))
    known = pdfmetrics.getFont("Card").face.charToGlyph
    if all(ord(letter) in known or letter.isspace() for letter in str(campaign)):
        return _Look("Card", "CardBold")
    return _Look("CardWide", "CardWide")


def _panels(
    look: _Look, campaign: Campaign, flight: PlannedFlight | None, runs: Mapping[str, int] | None
) -> Iterator[_Panel]:
    at = {row.card: row for row in loads(campaign, flight)} if flight else {}
    yield _flight_panel(look, campaign, flight, at)
    chosen = [c for c in campaign.cards if flight is None or c.id in flight.cards]
    if flight:
        chosen.sort(key=lambda card: flight.cards.index(card.id))
    right = flight.configuration if flight else ""
    for card in chosen:
        points = [p for p in card.points if runs is None or runs.get(p.id, 0) > 0]
        if not points:
            continue
        yield _Panel(card.id, card.title, right, _fly_body(look, campaign, card, points))
        yield _Panel(
            card.id, "write here", right, _write_body(look, campaign, card, points, runs, at.get(card.id))
        )


def _flight_panel(
    look: _Look, campaign: Campaign, flight: PlannedFlight | None, at: Mapping[str, CardLoad]
) -> _Panel:
    body: list[Flowable] = [look.text(campaign.name, 14, bold=True, spaceAfter=4)]
    body.append(look.labelled("Aircraft", campaign.aircraft.name))
    if flight:
        body += _fitted(look, campaign, flight)
    else:
        body.append(look.text("Configuration flown (tick one, look at it on the ground):", bold=True))
        body.append(_ticks(look, [f"{c.id}: {c.name}" for c in campaign.configurations]))
    boxes = ["Date", "Pilot", "Second person", "Start-up", "Airborne", "Landed", "Fuel start", "Fuel end"]
    boxes += ["Altimeter", "OAT", "Wind", "Weight, CG"]
    body += [Spacer(1, 4), _boxes(look, boxes, 3)]
    if at:
        body += [Spacer(1, 4), _load_table(look, at)]
    words = [f"{name.replace('_', ' ')}: {' / '.join(phrases)}" for name, phrases in campaign.team.words]
    if words:
        body.append(look.labelled("Our calls", "; ".join(words), 11))
    body.append(look.text(DEFER, _SMALL_PT))
    title = f"Flight {flight.id}" if flight else "Flight sheet"
    return _Panel("F", title, flight.configuration if flight else "", body)


def _fitted(look: _Look, campaign: Campaign, flight: PlannedFlight) -> list[Flowable]:
    config = campaign.configuration(flight.configuration)
    lines = [
        f"{change.item}: {change.what}" if change.what else change.item
        for c in lineage(campaign, config.id)
        for change in c.changes
    ]
    body: list[Flowable] = [look.labelled("Configuration", f"{config.id}: {config.name}")]
    body.append(look.text("Fitted, checked on the ground:", bold=True))
    body.append(_ticks(look, lines or ["nothing added: the baseline"]))
    load = ", ".join(f"{name} {kg:g} kg" for name, kg in flight.loading.items)
    fuel = f"fuel {flight.loading.fuel_l:g} l" if flight.loading.fuel_l is not None else ""
    aboard = ", ".join(part for part in (load, fuel) if part)
    if aboard:
        body.append(look.labelled("Aboard", aboard))
    return body


def _fly_body(look: _Look, campaign: Campaign, card: TestCard, points: Sequence[TestPoint]) -> list[Flowable]:
    body: list[Flowable] = []
    if card.objective:
        body.append(look.text(card.objective, 11, spaceAfter=3))
    body.append(_point_table(look, campaign, points))
    body.append(Spacer(1, 5))
    for label, words in (("Set up", card.setup), ("Entry", card.entry)):
        if words:
            body.append(look.labelled(label, words))
    for number, step in enumerate(card.procedure, 1):
        body.append(look.labelled(f"{number}", step))
    if card.recovery:
        body.append(look.labelled("Recover", card.recovery))
    if card.limits:
        body.append(look.labelled("Limits", "; ".join(card.limits), 12))
    if card.basis:
        body.append(look.text(f"After {card.basis}. {DEFER}", 8.5))
    return body


def _point_table(look: _Look, campaign: Campaign, points: Sequence[TestPoint]) -> Table:
    unit = campaign.indicator.unit
    head = ["point", "power", "flap", "bank", "start", "stall about", "band"]
    rows: list[list] = [[look.text(h, 9, bold=True) for h in head]]
    for point in points:
        bank = f"{abs(point.bank_deg):g} {'R' if point.bank_deg > 0 else 'L'}" if point.bank_deg else "level"
        band = (
            f"{point.altitude_low_ft:.0f}-{point.altitude_high_ft:.0f}"
            if point.altitude_low_ft is not None
            else ""
        )
        cells = [point.id, point.power, f"{point.flap_deg:g}", bank, _speed(point.trim_ias_kt, unit)]
        cells += [_speed(point.expected_stall_ias_kt, unit), band]
        rows.append([look.text(cell, 11 if n else _BODY_PT, bold=not n) for n, cell in enumerate(cells)])
    used = [n for n in range(len(head)) if any(row[n].text for row in rows[1:])]
    widths = {0: 15, 1: 24, 2: 13, 3: 15, 4: 19, 5: 20, 6: 26}
    total = sum(widths[n] for n in used)
    return Table(
        [[row[n] for n in used] for row in rows],
        colWidths=[widths[n] / total * 130 * mm for n in used],
        style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY)],
    )


def _write_body(
    look: _Look,
    campaign: Campaign,
    card: TestCard,
    points: Sequence[TestPoint],
    runs: Mapping[str, int] | None,
    at: CardLoad | None,
) -> list[Flowable]:
    unit = campaign.indicator.unit
    body: list[Flowable] = [_boxes(look, ["Time", "Fuel", "Altimeter", "OAT"], 4)]
    if at:
        cg = f", CG {at.cg_mm:.0f} mm" if at.cg_mm is not None else ""
        body.append(look.text(f"Planned here: {at.weight_kg:.0f} kg{cg}, fuel {at.fuel_left_l:.0f} l", 10))
    body.append(Spacer(1, 3))
    for point in points:
        count = (runs or {}).get(point.id, point.runs_wanted)
        start = f", from {_speed(point.trim_ias_kt, unit)}" if point.trim_ias_kt else ""
        head = look.text(f"{point.id}  {point.label}{start}", 12, bold=True, spaceAfter=2)
        table = _run_table(look, count, unit)
        body += [
            KeepTogether([head, table]) if count <= 6 else head,
            *([] if count <= 6 else [table]),
            Spacer(1, 5),
        ]
    legend = "How it ended: P pitch-down, S stick on the stop, D device, B strong buffet, R roll-off, N not reached"
    body.append(look.text(legend, _SMALL_PT))
    body.append(look.text("Remarks", 11, bold=True))
    body.append(
        Table(
            [[""]] * 2,
            colWidths=[130 * mm],
            rowHeights=[_ROW] * 2,
            style=[("LINEBELOW", (0, 0), (-1, -1), 0.5, colors.black)],
        )
    )
    return body


def _run_table(look: _Look, count: int, unit: str) -> Table:
    heads = [
        "run",
        f"warn {unit}",
        f"buffet {unit}",
        f"STALL {unit}",
        "ended",
        "alt ft",
        "lost ft",
        "wing",
        "counts",
    ]
    widths = [9, 15, 15, 18, 21, 16, 15, 13, 12]
    rows: list[list] = [[look.text(head, 8, bold=True) for head in heads]]
    small = ParagraphStyle("c", fontName=look.plain, fontSize=8, textColor=colors.Color(0.45, 0.45, 0.45))
    for number in range(1, count + 1):
        choices = [Paragraph(text, small) for text in ("P S D B R N", "L - R", "yes no")]
        rows.append(
            [look.text(str(number), 12, bold=True), "", "", "", choices[0], "", "", choices[1], choices[2]]
        )
    scale = 130 / sum(widths)
    return Table(
        rows,
        colWidths=[w * scale * mm for w in widths],
        rowHeights=[5 * mm] + [_ROW] * count,
        style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY), ("BOX", (3, 0), (3, -1), 1.6, colors.black)],
        repeatRows=1,
    )


_GRID = [
    ("GRID", (0, 0), (-1, -1), 0.6, colors.black),
    ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("TOPPADDING", (0, 0), (-1, -1), 1),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
]


def _boxes(look: _Look, labels: Sequence[str], columns: int) -> Table:
    rows = [list(labels[n : n + columns]) for n in range(0, len(labels), columns)]
    cells = [[look.text(label, 8) for label in row] for row in rows]
    style = [*_GRID, ("VALIGN", (0, 0), (-1, -1), "TOP")]
    return Table(
        cells, colWidths=[130 * mm / columns] * columns, rowHeights=[11 * mm] * len(rows), style=style
    )


def _ticks(look: _Look, lines: Sequence[str]) -> Table:
    rows = [["", look.text(line, 11.5)] for line in lines]
    style = [("BOX", (0, n), (0, n), 1, colors.black) for n in range(len(rows))]
    style += [
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
    ]
    return Table(rows, colWidths=[6 * mm, 124 * mm], style=style)


def _load_table(look: _Look, at: Mapping[str, CardLoad]) -> Table:
    rows: list[list] = [[look.text(h, 9, bold=True) for h in ("when", "min", "fuel l", "weight kg", "CG mm")]]
    for row in at.values():
        when = row.card if row.card in ("start-up", "shut-down") else f"card {row.card}"
        cg = f"{row.cg_mm:.0f}" if row.cg_mm is not None else ""
        cells = (when, f"{row.minutes:.0f}", f"{row.fuel_left_l:.0f}", f"{row.weight_kg:.0f}", cg)
        rows.append([look.text(cell, 10.5) for cell in cells])
    return Table(rows, colWidths=[26 * mm] * 5, style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY)])


def _speed(speed_kt: float | None, unit: str) -> str:
    return "" if speed_kt is None else f"{from_kt(speed_kt, unit):.0f} {unit}"


def _draw(
    canvas: Canvas, look: _Look, campaign: Campaign, panels: Sequence[_Panel], paper: tuple[float, float]
) -> int:
    """Put the panels on sheets, two to each; a panel that is full goes on in the next one."""
    width, height = paper[0] / 2, paper[1]
    foot = _foot(look, campaign)
    place = 0
    for panel in panels:
        body, part = list(panel.body), 0
        while body:
            if place % 2 == 0 and place:
                canvas.showPage()
            part += 1
            left = (place % 2) * width
            more = panel if part == 1 else _Panel(panel.mark, f"{panel.title} (goes on)", panel.right, [])
            _draw_head(canvas, look, more, left, width, height)
            foot_height = _draw_foot(canvas, foot, left, width)
            room = height - 2 * _MARGIN - _HEAD - foot_height - 2 * mm
            before = len(body)
            frame = Frame(
                left + _MARGIN, _MARGIN + foot_height + 1 * mm, width - 2 * _MARGIN, room, 0, 0, 0, 0
            )
            frame.addFromList(body, canvas)
            body = _split(body, frame, canvas, before)
            _cut_line(canvas, paper)
            place += 1
    canvas.showPage()
    return (place + 1) // 2


def _split(body: list[Flowable], frame: Frame, canvas: Canvas, before: int) -> list[Flowable]:
    """What is left for the next panel; a block larger than a whole panel is broken up."""
    if not body:
        return body
    first = body[0]
    if isinstance(first, KeepTogether) and len(body) == before:
        return [*first._content, *body[1:]]
    parts = frame.split(first, canvas)
    if parts:
        frame.add(parts[0], canvas)
        return [*parts[1:], *body[1:]]
    return body if len(body) < before else body[1:]


def _draw_head(canvas: Canvas, look: _Look, panel: _Panel, left: float, width: float, height: float) -> None:
    top = height - _MARGIN
    canvas.setFillColor(colors.black)
    canvas.rect(left + _MARGIN, top - 13 * mm, width - 2 * _MARGIN, 13 * mm, stroke=0, fill=1)
    canvas.setFillColor(colors.white)
    mark_width = pdfmetrics.stringWidth(panel.mark, look.bold, 26)
    canvas.setFont(look.bold, 26)
    canvas.drawString(left + _MARGIN + 3 * mm, top - 10 * mm, panel.mark)
    title = look.text(panel.title, 14, bold=True, textColor=colors.white)
    right = look.text(panel.right, 11, bold=True, textColor=colors.white, alignment=2)
    right_width = 34 * mm if panel.right else 0
    room = width - 2 * _MARGIN - mark_width - 10 * mm - right_width
    _, tall = title.wrap(room, 13 * mm)
    title.drawOn(canvas, left + _MARGIN + mark_width + 7 * mm, top - (13 * mm + tall) / 2)
    if panel.right:
        _, tall = right.wrap(right_width, 13 * mm)
        right.drawOn(canvas, left + width - _MARGIN - right_width - 2 * mm, top - (13 * mm + tall) / 2)
    canvas.setFillColor(colors.black)


def _foot(look: _Look, campaign: Campaign) -> list[Paragraph]:
    team = campaign.team
    floor = f"FLOOR {team.floor_ft:g} ft" if team.floor_ft is not None else "FLOOR ________ ft"
    if team.entry_min_ft is not None:
        floor += f"   no entry below {team.entry_min_ft:g} ft"
    said = dict(team.words).get("knock_it_off", ("knock it off",))[0]
    lines = [look.text(floor, 14, bold=True), look.text(f"Stop: \u201c{said}\u201d when", 11.5, bold=True)]
    lines += [
        look.text(f"- {criterion}", 11)
        for criterion in team.knock_it_off or ("________________", "________________")
    ]
    lines.append(look.text(" ".join((*team.cautions, *CAUTIONS)), 8.5, spaceBefore=2))
    return lines


def _draw_foot(canvas: Canvas, foot: Sequence[Paragraph], left: float, width: float) -> float:
    """Draw the box at the foot of a panel; returns its height in points."""
    inner = width - 2 * _MARGIN - 5 * mm
    heights = [paragraph.wrap(inner, 500)[1] for paragraph in foot]
    total = sum(heights) + 4 * mm
    y = _MARGIN + total - 1.5 * mm
    for paragraph, tall in zip(foot, heights, strict=True):
        y -= tall
        paragraph.drawOn(canvas, left + _MARGIN + 2.5 * mm, y)
    canvas.setLineWidth(2)
    canvas.rect(left + _MARGIN, _MARGIN, width - 2 * _MARGIN, total)
    canvas.setLineWidth(1)
    return total


def _cut_line(canvas: Canvas, paper: tuple[float, float]) -> None:
    canvas.saveState()
    canvas.setDash(2, 4)
    canvas.setStrokeColor(colors.Color(0.6, 0.6, 0.6))
    canvas.line(paper[0] / 2, 0, paper[0] / 2, paper[1])
    canvas.restoreState()
