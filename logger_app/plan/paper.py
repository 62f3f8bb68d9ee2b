"""What stands on each panel of the paper cards, as blocks that stay together. Pure: nothing is drawn here.

Main names: `Look`, `Panel`, `panels_of`, `notes_panel`, `foot_of`; `cards_pdf_io` puts them on sheets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer, Table

from logger_app.domain.fitted import device_rows, fitted_to, lineage, side_cautions
from logger_app.domain.planform import Drawing, Role, drawing_of, row_words
from logger_app.plan.flights import CardLoad, loads
from logger_app.plan.order import build_up
from logger_app.plan.presets import CAUTIONS
from logger_app.records.plan import AircraftConfig, Campaign, PlannedFlight, TestCard, TestPoint
from logger_app.units import from_kt

# 16 minutes of arc at 700 mm is 3.26 mm of capital height (NUREG-0700, minimum): 12.8 pt in a
# sans-serif of 0.71 em capitals. What is read in flight is not smaller than that.
_BODY_PT = 13.0
_SMALL_PT = 9.5
_ROW = 9.5 * mm
_GREY = colors.Color(0.88, 0.88, 0.88)


# A panel's content: blocks that stay together, made at a scale (1 is the smallest type allowed).
Blocks = list[list[Flowable]]
SCALES = (1.3, 1.2, 1.1, 1.0)


@dataclass(frozen=True, slots=True)
class Panel:
    """What goes on one half of a sheet, in the largest type that fits; else it goes on to the next.

    One that `starts_left` has the panel to write on beside it, not on the back of a fold.
    """

    mark: str
    title: str
    right: str
    body: Callable[[float], Blocks]
    starts_left: bool = False


@dataclass(frozen=True, slots=True)
class Look:
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


def panels_of(
    look: Look, campaign: Campaign, flight: PlannedFlight | None, runs: Mapping[str, int] | None
) -> list[Panel]:
    """Every panel of a set of cards: the flight, its order, and for each card one to fly from, one to write on.

    Parameters
    ----------
    runs : mapping of str to int, or None
        Runs by point id; None for as many as wanted.
    """
    return list(_panels(look, campaign, flight, runs))


def _panels(
    look: Look, campaign: Campaign, flight: PlannedFlight | None, runs: Mapping[str, int] | None
) -> Iterator[Panel]:
    at = {row.card: row for row in loads(campaign, flight)} if flight else {}
    yield _flight_panel(look, campaign, flight, at)
    yield Panel(
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
        yield Panel(card.id, card.title, right, partial(_fly_body, look, campaign, card, points), True)
        writing = partial(_write_body, look, campaign, points, runs, at.get(card.id))
        yield Panel(card.id, f"{card.title}: write here", right, writing)


def _flight_panel(look: Look, campaign: Campaign, flight: PlannedFlight | None, at: Mapping[str, CardLoad]) -> Panel:
    title = f"Flight {flight.id}" if flight else "Flight sheet"
    return Panel("F", title, flight.configuration if flight else "", partial(_flight_body, look, campaign, flight, at))


def _flight_body(
    look: Look, campaign: Campaign, flight: PlannedFlight | None, at: Mapping[str, CardLoad], scale: float
) -> Blocks:
    body: Blocks = [[look.text(campaign.name, 14, bold=True, spaceAfter=4)]]
    body.append([look.labelled("Aircraft", campaign.aircraft.name)])
    if flight:
        body += _fitted(look, campaign, flight)
    else:
        ticks = _ticks(look, [f"{c.id}: {c.name}" for c in campaign.configurations])
        body.append([look.text("Configuration flown (tick one, look at it on the ground):", bold=True), ticks])
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
    look: Look, campaign: Campaign, flight: PlannedFlight | None, runs: Mapping[str, int] | None, scale: float
) -> Blocks:
    """The points in build-up order, with boxes to tick a run each."""
    body: Blocks = [[look.text("The least demanding first. Tick a box for each run that counts.", 11)]]
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
        rules: list[tuple[Any, ...]] = [("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("TOPPADDING", (0, 0), (-1, -1), 0)]
        rules += [("BOTTOMPADDING", (0, 0), (-1, -1), 2), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
        rules += [("LINEBELOW", (0, 0), (-1, -1), 0.3, colors.grey)]
        body.append([Table([[words, boxes]], colWidths=widths, style=rules)])
    return body


def notes_panel(look: Look) -> Panel:
    """Lines to write on, for a half of a sheet that would be empty."""
    return Panel("", "Notes", "", partial(_notes_body, look))


def _notes_body(look: Look, scale: float) -> Blocks:
    rules = [("LINEBELOW", (0, 0), (-1, -1), 0.5, colors.black)]
    return [[Table([[""]], colWidths=[look.width], rowHeights=[_ROW * scale], style=rules)] for _ in range(10)]


def _fitted(look: Look, campaign: Campaign, flight: PlannedFlight) -> Blocks:
    cautions = [look.text(text, 10, bold=True) for text in side_cautions(campaign, flight.configuration)]
    config = campaign.configuration(flight.configuration) or AircraftConfig(
        id=flight.configuration, name=flight.configuration
    )
    lines = [
        f"{change.item}: {change.what}" if change.what else change.item
        for c in lineage(campaign, config.id)
        for change in c.changes
    ]
    load = ", ".join(f"{name} {kg:g} kg" for name, kg in flight.loading.items)
    fuel = f"fuel {flight.loading.fuel_l:g} l" if flight.loading.fuel_l is not None else ""
    aboard = ", ".join(part for part in (load, fuel) if part)
    checked = look.text("Fitted, checked on the ground:", bold=True)
    fits = fitted_to(campaign, config.id)
    lines += [row_words(fit, row) for fit, row in device_rows(fits)]
    drawn = [WingDrawing(look, drawing_of(campaign.aircraft, fits, config.id))] if device_rows(fits) else []
    return [
        [look.labelled("Configuration", f"{config.id}: {config.name}")],
        [checked, _ticks(look, lines or ["nothing added: the baseline"]), *drawn, *cautions],
        [look.labelled("Aboard", aboard)] if aboard else [],
    ]


def _fly_body(look: Look, campaign: Campaign, card: TestCard, points: Sequence[TestPoint], scale: float) -> Blocks:
    size = _BODY_PT * scale
    body: Blocks = [[look.text(card.objective, 11 * scale, spaceAfter=3)]] if card.objective else []
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


def _point_table(look: Look, campaign: Campaign, points: Sequence[TestPoint], scale: float) -> Table:
    unit = campaign.indicator.unit
    head = ["point", "power", "flap", "bank", "start", "stall about", "band"]
    rows: list[list] = [[look.text(h, 9, bold=True) for h in head]]
    for point in points:
        bank = f"{abs(point.bank_deg):g} {'R' if point.bank_deg > 0 else 'L'}" if point.bank_deg else "level"
        band = f"{point.altitude_low_ft:.0f}-{point.altitude_high_ft:.0f}" if point.altitude_low_ft is not None else ""
        cells = [point.id, point.power, f"{point.flap_deg:g}", bank, _speed(point.trim_ias_kt, unit)]
        cells += [_speed(point.expected_stall_ias_kt, unit), band]
        rows.append([look.text(cell, (11 if n else _BODY_PT) * scale, bold=not n) for n, cell in enumerate(cells)])
    used = [n for n in range(len(head)) if any(row[n].text for row in rows[1:])]
    widths = {0: 15, 1: 24, 2: 13, 3: 15, 4: 19, 5: 20, 6: 26}
    total = sum(widths[n] for n in used)
    return Table(
        [[row[n] for n in used] for row in rows],
        colWidths=[widths[n] / total * look.width for n in used],
        style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY)],
    )


def _write_body(
    look: Look,
    campaign: Campaign,
    points: Sequence[TestPoint],
    runs: Mapping[str, int] | None,
    at: CardLoad | None,
    scale: float,
) -> Blocks:
    unit = campaign.indicator.unit
    body: Blocks = [[look.text("Write after the recovery, wings level and lookout done; never in the approach.", 10.5)]]
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


def _run_table(look: Look, numbers: Sequence[str], scale: float) -> Table:
    heads = ["run", "warn", "buffet", "STALL", "ended", "alt ft", "lost ft", "wing", "counts"]
    widths = [9, 15, 16, 18, 21, 16, 14, 13, 13]
    rows: list[list] = [[look.text(head, 8, bold=True) for head in heads]]
    small = ParagraphStyle("c", fontName=look.plain, fontSize=8, textColor=colors.Color(0.45, 0.45, 0.45))
    for number in numbers:
        choices = [Paragraph(text, small) for text in ("P S D B R N", "L - R", "yes no")]
        rows.append([look.text(number, 12, bold=True), "", "", "", choices[0], "", "", choices[1], choices[2]])
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


def _boxes(look: Look, labels: Sequence[str], columns: int, scale: float = 1.0) -> Table:
    rows = [list(labels[n : n + columns]) for n in range(0, len(labels), columns)]
    cells = [[look.text(label, 8) for label in row] for row in rows]
    style = [*_GRID, ("VALIGN", (0, 0), (-1, -1), "TOP")]
    return Table(
        cells, colWidths=[look.width / columns] * columns, rowHeights=[11 * mm * scale] * len(rows), style=style
    )


class _Tick(Flowable):
    """An empty square to be ticked."""

    def wrap(self, *_):
        return 4.5 * mm, 4.5 * mm

    def draw(self):
        self.canv.rect(0, 0, 4.5 * mm, 4.5 * mm)


class WingDrawing(Flowable):
    """The wing from above with what must be fitted; what is new in this configuration is drawn thick."""

    WIDTHS = {Role.OUTLINE: 0.9, Role.SURFACE: 0.4, Role.STATION: 0.3, Role.DEVICE: 0.8, Role.STRIP: 1.6}

    def __init__(self, look: Look, drawing: Drawing):
        super().__init__()
        self.look, self.drawing = look, drawing
        self.scale = look.width / drawing.width_mm

    def wrap(self, *_):
        return self.look.width, self.drawing.height_mm * self.scale + (11 if self.drawing.note else 2)

    def draw(self):
        canvas, top = self.canv, self.drawing.height_mm * self.scale + (11 if self.drawing.note else 2)
        for line in self.drawing.lines:
            canvas.setLineWidth(self.WIDTHS[line.role] * (1.8 if line.new else 1.0))
            canvas.setDash([1, 2] if line.role is Role.STATION else [])
            path = canvas.beginPath()
            for k, (x, y) in enumerate(line.points):
                (path.lineTo if k else path.moveTo)(x * self.scale, top - y * self.scale)
            if line.closed:
                path.close()
            canvas.drawPath(path)
        canvas.setDash([])
        canvas.setFont(self.look.plain, 7)
        for text in self.drawing.texts:
            canvas.drawCentredString(text.x_mm * self.scale, top - text.y_mm * self.scale - 2.5, text.text)
        if self.drawing.note:
            canvas.drawString(0, 2, self.drawing.note)


def _ticks(look: Look, lines: Sequence[str]) -> Table:
    rows = [[_Tick(), look.text(line, 11.5)] for line in lines]
    style = [("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("TOPPADDING", (0, 0), (-1, -1), 1)]
    style += [("BOTTOMPADDING", (0, 0), (-1, -1), 3), ("LEFTPADDING", (0, 0), (0, -1), 1)]
    return Table(rows, colWidths=[7 * mm, look.width - 7 * mm], style=style)


def _load_table(look: Look, at: Mapping[str, CardLoad]) -> Table:
    rows: list[list] = [[look.text(h, 9, bold=True) for h in ("when", "min", "fuel l", "weight kg", "CG mm")]]
    for row in at.values():
        when = row.card if row.card in ("start-up", "shut-down") else f"card {row.card}"
        cg = f"{row.cg_mm:.0f}" if row.cg_mm is not None else ""
        cells = (when, f"{row.minutes:.0f}", f"{row.fuel_left_l:.0f}", f"{row.weight_kg:.0f}", cg)
        rows.append([look.text(cell, 10.5) for cell in cells])
    return Table(rows, colWidths=[look.width / 5] * 5, style=[*_GRID, ("BACKGROUND", (0, 0), (-1, 0), _GREY)])


def _speed(speed_kt: float | None, unit: str) -> str:
    return "" if speed_kt is None else f"{from_kt(speed_kt, unit):.0f} {unit}"


def foot_of(look: Look, campaign: Campaign) -> list[Paragraph]:
    """What stands at the foot of every panel: floor, knock-it-off criteria, cautions."""
    team = campaign.team
    floor = f"FLOOR {team.floor_ft:g} ft" if team.floor_ft is not None else "FLOOR ________ ft"
    if team.entry_min_ft is not None:
        floor += f"   no entry below {team.entry_min_ft:g} ft"
    said = dict(team.words).get("knock_it_off", ("knock it off",))[0]
    lines = [look.text(floor, 14, bold=True), look.text(f"Stop: \u201c{said}\u201d when", 11.5, bold=True)]
    lines += [
        look.text(f"- {criterion}", 11) for criterion in team.knock_it_off or ("________________", "________________")
    ]
    lines.append(look.text(" ".join((*team.cautions, *CAUTIONS)), 8.5, spaceBefore=2))
    return lines
