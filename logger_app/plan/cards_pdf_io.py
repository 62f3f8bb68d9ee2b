"""Kneeboard cards on paper: the full fall-back for the tablet.

Two panels to a sheet, to be cut or folded: A5 on A4 landscape, or half letter on letter. Each
card has a panel to fly from and a panel to write on; every panel carries the floor, the team's
knock-it-off criteria and the cautions. Speeds are in the pilot's unit. Main name: `write_cards`.
"""

from __future__ import annotations

import importlib.util
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, Spacer, Table

from logger_app.errors import ReportError
from logger_app.plan.flights import CardLoad, loads
from logger_app.plan.loading import lineage
from logger_app.plan.order import build_up
from logger_app.plan.presets import CAUTIONS
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


# A panel's content: blocks that stay together, made at a scale (1 is the smallest type allowed).
_Blocks = list[list[Flowable]]
_SCALES = (1.3, 1.2, 1.1, 1.0)


@dataclass(frozen=True, slots=True)
class _Panel:
    """What goes on one half of a sheet, in the largest type that fits; else it goes on to the next.

    One that `starts_left` has the panel to write on beside it, not on the back of a fold.
    """

    mark: str
    title: str
    right: str
    body: Callable[[float], _Blocks]
    starts_left: bool = False


@dataclass(frozen=True, slots=True)
class _Look:
    """Fonts, and the width of a panel inside its margins in points."""

    plain: str
    bold: str
    width: float

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
    look = _look(campaign, PAPERS[paper])
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


def _look(campaign: Campaign, paper: tuple[float, float]) -> _Look:
    """Fonts that travel with a library we have anyway; the one with more letters if it takes it."""
    width = paper[0] / 2 - 2 * _MARGIN
    spec = importlib.util.find_spec("kivy")
    if spec is None or not spec.submodule_search_locations:
        return _Look("Helvetica", "Helvetica-Bold", width)
    fonts = Path(next(iter(spec.submodule_search_locations))) / "data" / "fonts"
    for name, file in (("Card", "Roboto-Regular"), ("CardBold", "Roboto-Bold"), ("CardWide", "DejaVuSans")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(fonts / f"{file}.ttf")))
    known = pdfmetrics.getFont("Card").face.charToGlyph
    if all(ord(letter) in known or letter.isspace() for letter in str(campaign)):
        return _Look("Card", "CardBold", width)
    return _Look("CardWide", "CardWide", width)


def _panels(
    look: _Look, campaign: Campaign, flight: PlannedFlight | None, runs: Mapping[str, int] | None
) -> Iterator[_Panel]:
    at = {row.card: row for row in loads(campaign, flight)} if flight else {}
    yield _flight_panel(look, campaign, flight, at)
    yield _Panel(
        "F",
        "Order of flight",
        flight.configuration if flight else "",
        partial(_order_body, look, campaign, flight, runs),
    )
    chosen = [c for c in campaign.cards if flight is None or c.id in flight.cards]
    if flight:
        chosen.sort(key=lambda card: flight.cards.index(card.id))
    right = flight.configuration if flight else ""
    for card in chosen:
        points = [p for p in card.points if runs is None or runs.get(p.id, 0) > 0]
        if not points:
            continue
        yield _Panel(card.id, card.title, right, partial(_fly_body, look, campaign, card, points), True)
        writing = partial(_write_body, look, campaign, points, runs, at.get(card.id))
        yield _Panel(card.id, f"{card.title}: write here", right, writing)


def _flight_panel(
    look: _Look, campaign: Campaign, flight: PlannedFlight | None, at: Mapping[str, CardLoad]
) -> _Panel:
    title = f"Flight {flight.id}" if flight else "Flight sheet"
    return _Panel(
        "F", title, flight.configuration if flight else "", partial(_flight_body, look, campaign, flight, at)
    )


def _flight_body(
    look: _Look, campaign: Campaign, flight: PlannedFlight | None, at: Mapping[str, CardLoad], scale: float
) -> _Blocks:
    body: _Blocks = [[look.text(campaign.name, 14, bold=True, spaceAfter=4)]]
    body.append([look.labelled("Aircraft", campaign.aircraft.name)])
    if flight:
        body += _fitted(look, campaign, flight)
    else:
        ticks = _ticks(look, [f"{c.id}: {c.name}" for c in campaign.configurations])
        body.append(
            [look.text("Configuration flown (tick one, look at it on the ground):", bold=True), ticks]
        )
    boxes = ["Date", "Pilot", "Second person", "Start-up", "Airborne", "Landed", "Fuel start", "Fuel end"]
    boxes += ["Altimeter", "OAT", "Wind", "Weight, CG"]
    body.append([Spacer(1, 4), _boxes(look, boxes, 3, scale)])
    if at:
        body.append([Spacer(1, 4), _load_table(look, at)])
    words = [f"{name.replace('_', ' ')}: {' / '.join(phrases)}" for name, phrases in campaign.team.words]
    if words:
        body.append([look.labelled("Our calls", "; ".join(words), 11 * scale)])
    return body


def _order_body(
    look: _Look,
    campaign: Campaign,
    flight: PlannedFlight | None,
    runs: Mapping[str, int] | None,
    scale: float,
) -> _Blocks:
    """The points in build-up order, with boxes to tick a run each."""
    body: _Blocks = [[look.text("The least demanding first. Tick a box for each run that counts.", 11)]]
    for step in build_up(campaign):
        point = step.point
        count = (runs or {}).get(point.id, 0 if runs is not None else point.runs_wanted)
        if not count or (flight and point.card not in flight.cards):
            continue
        most = min(count, 8)
        boxes = Table([[_Tick() for _ in range(most)]], colWidths=[6 * mm] * most, hAlign="RIGHT")
        more = f" (and {count - 8} more)" if count > 8 else ""
        words = [look.labelled(point.id, f"{point.label}{more}", 11 * scale), look.text(step.reason, 8.5)]
        widths = [look.width - 52 * mm, 52 * mm]
        rules = [("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("TOPPADDING", (0, 0), (-1, -1), 0)]
        rules += [("BOTTOMPADDING", (0, 0), (-1, -1), 2), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
        rules += [("LINEBELOW", (0, 0), (-1, -1), 0.3, colors.grey)]
        body.append([Table([[words, boxes]], colWidths=widths, style=rules)])
    return body


def _notes_body(look: _Look, scale: float) -> _Blocks:
    rules = [("LINEBELOW", (0, 0), (-1, -1), 0.5, colors.black)]
    return [
        [Table([[""]], colWidths=[look.width], rowHeights=[_ROW * scale], style=rules)] for _ in range(10)
    ]


def _fitted(look: _Look, campaign: Campaign, flight: PlannedFlight) -> _Blocks:
    config = campaign.configuration(flight.configuration)
    lines = [
        f"{change.item}: {change.what}" if change.what else change.item
        for c in lineage(campaign, config.id)
        for change in c.changes
    ]
    load = ", ".join(f"{name} {kg:g} kg" for name, kg in flight.loading.items)
    fuel = f"fuel {flight.loading.fuel_l:g} l" if flight.loading.fuel_l is not None else ""
    aboard = ", ".join(part for part in (load, fuel) if part)
    checked = look.text("Fitted, checked on the ground:", bold=True)
    return [
        [look.labelled("Configuration", f"{config.id}: {config.name}")],
        [checked, _ticks(look, lines or ["nothing added: the baseline"])],
        [look.labelled("Aboard", aboard)] if aboard else [],
    ]


def _fly_body(
    look: _Look, campaign: Campaign, card: TestCard, points: Sequence[TestPoint], scale: float
) -> _Blocks:
    size = _BODY_PT * scale
    body: _Blocks = [[look.text(card.objective, 11 * scale, spaceAfter=3)]] if card.objective else []
    body += [[_point_table(look, campaign, rows, scale), Spacer(1, 5)] for rows in _chunks(points, 10)]
    lines = [("Set up", card.setup), ("Entry", card.entry)]
    lines += [(f"{number}", step) for number, step in enumerate(card.procedure, 1)]
    lines += [("Recover", card.recovery), ("Limits", "; ".join(card.limits))]
    body += [[look.labelled(label, words, size)] for label, words in lines if words]
    if card.basis:
        body.append([look.text(f"After {card.basis}. Defer to the rules that apply to you.", 8.5)])
    return body


def _chunks(items: Sequence, size: int) -> list[Sequence]:
    return [items[n : n + size] for n in range(0, len(items), size)]


def _point_table(look: _Look, campaign: Campaign, points: Sequence[TestPoint], scale: float) -> Table:
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
        rows.append(
            [look.text(cell, (11 if n else _BODY_PT) * scale, bold=not n) for n, cell in enumerate(cells)]
        )
    used = [n for n in range(len(head)) if any(row[n].text for row in rows[1:])]
    widths = {0: 15, 1: 24, 2: 13, 3: 15, 4: 19, 5: 20, 6: 26}
    total = sum(widths[n] for n in used)
    return Table(
        [[row[n] for n in used] for row in rows],
        colWidths=[widths[n] / total * look.width for n in used],
        style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY)],
    )


def _write_body(
    look: _Look,
    campaign: Campaign,
    points: Sequence[TestPoint],
    runs: Mapping[str, int] | None,
    at: CardLoad | None,
    scale: float,
) -> _Blocks:
    unit = campaign.indicator.unit
    body: _Blocks = [
        [look.text("Write after the recovery, wings level and lookout done; never in the approach.", 10.5)]
    ]
    body.append([Spacer(1, 2), _boxes(look, ["Time", "Fuel", "Altimeter", "OAT"], 4, scale)])
    ends = "P pitch-down, S stick on the stop, D device, B strong buffet, R roll-off, N not reached"
    body.append([look.text(f"Speeds as read, in {unit}. Ended: {ends}.", _SMALL_PT)])
    if at:
        cg = f", CG {at.cg_mm:.0f} mm" if at.cg_mm is not None else ""
        body.append([look.text(f"Planned here: {at.weight_kg:.0f} kg{cg}, fuel {at.fuel_left_l:.0f} l", 10)])
    for point in points:
        count = (runs or {}).get(point.id, point.runs_wanted)
        start = f", from {_speed(point.trim_ias_kt, unit)}" if point.trim_ias_kt else ""
        # One line to spare for a run that is discarded.
        for numbers in _chunks([*map(str, range(1, count + 1)), "+"], 8):
            head = look.text(f"{point.id}  {point.label}{start}", 12, bold=True, spaceAfter=2)
            body.append([Spacer(1, 4), head, _run_table(look, numbers, scale)])
    rules = [("LINEBELOW", (0, 0), (-1, -1), 0.5, colors.black)]
    lines = Table([[""]] * 2, colWidths=[look.width], rowHeights=[_ROW * scale] * 2, style=rules)
    return [*body, [Spacer(1, 4), look.text("Remarks", 11, bold=True), lines]]


def _run_table(look: _Look, numbers: Sequence[str], scale: float) -> Table:
    heads = [
        "run",
        "warn",
        "buffet",
        "STALL",
        "ended",
        "alt ft",
        "lost ft",
        "wing",
        "counts",
    ]
    widths = [9, 15, 16, 18, 21, 16, 14, 13, 13]
    rows: list[list] = [[look.text(head, 8, bold=True) for head in heads]]
    small = ParagraphStyle("c", fontName=look.plain, fontSize=8, textColor=colors.Color(0.45, 0.45, 0.45))
    for number in numbers:
        choices = [Paragraph(text, small) for text in ("P S D B R N", "L - R", "yes no")]
        rows.append(
            [look.text(number, 12, bold=True), "", "", "", choices[0], "", "", choices[1], choices[2]]
        )
    return Table(
        rows,
        colWidths=[w / sum(widths) * look.width for w in widths],
        rowHeights=[5 * mm] + [_ROW * scale] * len(numbers),
        style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY), ("BOX", (3, 0), (3, -1), 1.6, colors.black)],
    )


_GRID = [
    ("GRID", (0, 0), (-1, -1), 0.6, colors.black),
    ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("TOPPADDING", (0, 0), (-1, -1), 1),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
]


def _boxes(look: _Look, labels: Sequence[str], columns: int, scale: float = 1.0) -> Table:
    rows = [list(labels[n : n + columns]) for n in range(0, len(labels), columns)]
    cells = [[look.text(label, 8) for label in row] for row in rows]
    style = [*_GRID, ("VALIGN", (0, 0), (-1, -1), "TOP")]
    return Table(
        cells,
        colWidths=[look.width / columns] * columns,
        rowHeights=[11 * mm * scale] * len(rows),
        style=style,
    )


class _Tick(Flowable):
    """An empty square to be ticked."""

    def wrap(self, *_):
        return 4.5 * mm, 4.5 * mm

    def draw(self):
        self.canv.rect(0, 0, 4.5 * mm, 4.5 * mm)


def _ticks(look: _Look, lines: Sequence[str]) -> Table:
    rows = [[_Tick(), look.text(line, 11.5)] for line in lines]
    style = [("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("TOPPADDING", (0, 0), (-1, -1), 1)]
    style += [("BOTTOMPADDING", (0, 0), (-1, -1), 3), ("LEFTPADDING", (0, 0), (0, -1), 1)]
    return Table(rows, colWidths=[7 * mm, look.width - 7 * mm], style=style)


def _load_table(look: _Look, at: Mapping[str, CardLoad]) -> Table:
    rows: list[list] = [[look.text(h, 9, bold=True) for h in ("when", "min", "fuel l", "weight kg", "CG mm")]]
    for row in at.values():
        when = row.card if row.card in ("start-up", "shut-down") else f"card {row.card}"
        cg = f"{row.cg_mm:.0f}" if row.cg_mm is not None else ""
        cells = (when, f"{row.minutes:.0f}", f"{row.fuel_left_l:.0f}", f"{row.weight_kg:.0f}", cg)
        rows.append([look.text(cell, 10.5) for cell in cells])
    return Table(rows, colWidths=[look.width / 5] * 5, style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY)])


def _speed(speed_kt: float | None, unit: str) -> str:
    return "" if speed_kt is None else f"{from_kt(speed_kt, unit):.0f} {unit}"


def _draw(
    canvas: Canvas, look: _Look, campaign: Campaign, panels: Sequence[_Panel], paper: tuple[float, float]
) -> int:
    """Put the panels on sheets, two to each; a panel that is full goes on in the next one."""
    height = paper[1]
    foot = _foot(look, campaign)
    room = height - 2 * _MARGIN - _HEAD - _foot_height(foot, look.width) - 3 * mm
    notes = partial(_notes_body, look)
    place = 0
    for panel in panels:
        if panel.starts_left and place % 2:
            blocks = _largest(notes, look.width, room)
            _draw_panel(
                canvas, look, _Panel("", "Notes", "", notes), "Notes", foot, place, paper, blocks, room
            )
            place += 1
        blocks, title = _largest(panel.body, look.width, room), panel.title
        while blocks:
            blocks = _draw_panel(canvas, look, panel, title, foot, place, paper, blocks, room)
            title = f"{panel.title} (goes on)"
            place += 1
    canvas.showPage()
    return (place + 1) // 2


def _draw_panel(
    canvas: Canvas,
    look: _Look,
    panel: _Panel,
    title: str,
    foot: Sequence[Paragraph],
    place: int,
    paper: tuple[float, float],
    blocks: _Blocks,
    room: float,
) -> _Blocks:
    """Draw one half of a sheet; returns what did not fit."""
    if place and place % 2 == 0:
        canvas.showPage()
    width, height = paper[0] / 2, paper[1]
    left = (place % 2) * width
    _draw_head(canvas, look, panel, title, left, width, height)
    foot_height = _draw_foot(canvas, foot, left, width)
    _cut_line(canvas, paper)
    return _fill(canvas, blocks, left + _MARGIN, _MARGIN + foot_height + 1 * mm + room, look.width, room)


def _largest(body: Callable[[float], _Blocks], width: float, room: float) -> _Blocks:
    """The content in the largest type in which all of it fits, else in the smallest."""
    for scale in _SCALES:
        blocks = body(scale)
        if sum(_tall(block, width) for block in blocks) <= room:
            return blocks
    return body(_SCALES[-1])


def _tall(block: list[Flowable], width: float) -> float:
    return sum(f.wrap(width, 10_000)[1] + f.getSpaceBefore() + f.getSpaceAfter() for f in block)


def _fill(canvas: Canvas, blocks: _Blocks, left: float, top: float, width: float, room: float) -> _Blocks:
    """Draw blocks from the top until the room is used; what is left goes on the next panel."""
    y, bottom = top, top - room
    for number, block in enumerate(blocks):
        if y - _tall(block, width) < bottom - 0.01:
            if number:
                return blocks[number:]
            return _break_up(canvas, block, left, top, width, room) + blocks[1:]
        for flowable in block:
            tall = flowable.wrap(width, room)[1]
            y -= flowable.getSpaceBefore() + tall
            flowable.drawOn(canvas, left, y)
            y -= flowable.getSpaceAfter()
    return []


def _break_up(
    canvas: Canvas, block: list[Flowable], left: float, top: float, width: float, room: float
) -> _Blocks:
    """A block taller than a panel (a very long text): as much as fits now, the rest after it."""
    parts = block[0].split(width, room) if len(block) == 1 else [[f] for f in block]
    if len(block) > 1:
        return _fill(canvas, parts, left, top, width, room)
    if len(parts) < 2:
        return []
    _fill(canvas, [[parts[0]]], left, top, width, room)
    return [[part] for part in parts[1:]]


def _draw_head(
    canvas: Canvas, look: _Look, panel: _Panel, words: str, left: float, width: float, height: float
) -> None:
    top = height - _MARGIN
    canvas.setFillColor(colors.black)
    canvas.rect(left + _MARGIN, top - 13 * mm, width - 2 * _MARGIN, 13 * mm, stroke=0, fill=1)
    canvas.setFillColor(colors.white)
    mark_width = pdfmetrics.stringWidth(panel.mark, look.bold, 26)
    canvas.setFont(look.bold, 26)
    canvas.drawString(left + _MARGIN + 3 * mm, top - 10 * mm, panel.mark)
    title = look.text(words, 14, bold=True, textColor=colors.white)
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


def _foot_height(foot: Sequence[Paragraph], inner: float) -> float:
    return sum(paragraph.wrap(inner - 5 * mm, 500)[1] for paragraph in foot) + 4 * mm


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
