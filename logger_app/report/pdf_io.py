"""The report as a PDF: the same answer, figures and tables on A4, in its own layout."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from logger_app import __version__
from logger_app.report import shown, words
from logger_app.report.extras import Extras, LinePicture
from logger_app.report.figures import every_run
from logger_app.report.figures_pdf import to_drawing
from logger_app.report.fonts_io import marked, register
from logger_app.report.generations import caption, facts
from logger_app.report.layout import lay_out
from logger_app.report.media import Media
from logger_app.report.page import (
    PairAnswer,
    answers,
    line_evidence,
    line_of_design,
    media_words,
    no_comparison,
    unreviewed_sentence,
)
from logger_app.report.plot import Picture
from logger_app.report.prose import CAUTIONS, METHOD, SOURCES_NOTE
from logger_app.report.shown import Cell, ShownTable
from logger_app.report.view import Page, PointView, RunView
from logger_app.report.wing_drawing import MAP_WORDS

MARGIN = 15 * mm
WIDTH = A4[0] - 2 * MARGIN
INK = colors.HexColor("#1c2126")
MUTED = colors.HexColor("#59616a")
LINE = colors.HexColor("#c9c6bc")
MARK = colors.HexColor("#fff3d9")


# A page that is less filled than this looks like a mistake: the method moves to a page apart, or figures are drawn smaller.
MIN_FILLED = 0.3
MAX_REBUILT = 40  # pages: longer ones take a second each time
SCALES = (1.0, 0.9, 0.8)


class _Document(BaseDocTemplate):
    """A document that notes how much of each page is filled, 0 to 1."""

    filled: list[float]

    def handle_pageEnd(self):  # noqa: N802 (reportlab's name)
        frame = self.frame
        self.filled.append(1.0 - (frame._y - frame._y1p) / (frame._y2 - frame._y1p))
        super().handle_pageEnd()


def write_pdf(path: Path, page: Page, media: Media, extras: Extras, made_utc: str) -> list[float]:
    """Write the PDF; gives how much of each page is filled, 0 to 1."""
    best: tuple[float, list[float], bytes] | None = None
    for scale, apart in ((scale, apart) for scale in SCALES for apart in (False, True)):
        filled, data = _built(page, media, extras, made_utc, scale, apart)
        least = min(filled)
        if best is None or least > best[0]:
            best = least, filled, data
        if least >= MIN_FILLED or len(filled) > MAX_REBUILT:
            break
    if best is not None:
        path.write_bytes(best[2])
    return best[1] if best else []


def _built(
    page: Page, media: Media, extras: Extras, made_utc: str, scale: float, apart: bool
) -> tuple[list[float], bytes]:
    out = io.BytesIO()
    document = _Document(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=18 * mm,
        title=f"Stall speeds: {page.campaign.name}",
        author=f"kneecall {__version__}",
        invariant=1,
        initialFontName=register()[0],
    )
    document.filled = []
    frame = Frame(
        MARGIN, 18 * mm, WIDTH, A4[1] - MARGIN - 18 * mm, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0
    )
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=lambda canvas, _: _foot(canvas, page, made_utc)))
    document.build(_Story(page, media, extras, made_utc, scale, apart).flowables())
    return document.filled, out.getvalue()


def _foot(canvas, page: Page, made_utc: str) -> None:
    canvas.saveState()
    text = f"{page.campaign.name}  ·  kneecall {__version__}, {made_utc}  ·  a recorder’s figures, not approved data"
    foot = Paragraph(marked(text), _style(7.5, MUTED))
    foot.wrap(WIDTH - 20 * mm, 10 * mm)
    foot.drawOn(canvas, MARGIN, 9 * mm)
    canvas.setFont(register()[0], 7.5)
    canvas.setFillColor(MUTED)
    canvas.drawRightString(A4[0] - MARGIN, 10 * mm, str(canvas.getPageNumber()))
    canvas.restoreState()


def _style(size: float, colour=INK, bold: bool = False, **more) -> ParagraphStyle:
    plain, strong, _ = register()
    name = strong if bold else plain
    return ParagraphStyle("t", fontName=name, fontSize=size, leading=size * 1.28, textColor=colour, **more)


def _text(text: str, size: float = 9, colour=INK, bold: bool = False, **more) -> Paragraph:
    return Paragraph(marked(text), _style(size, colour, bold, **more))


def _marked(text: str, caveat: str, size: float = 9, bold: bool = False) -> Paragraph:
    """Text with what is unreviewed set off after it."""
    tail = f' <font backColor="#fff3d9">&nbsp;{marked(caveat)}&nbsp;</font>' if caveat else ""
    return Paragraph(marked(text) + tail, _style(size, bold=bold, spaceAfter=3))


class _Story:
    """The parts of the document, in order; `scale` of figures and a method on a page apart make pages fill well."""

    def __init__(self, page: Page, media: Media, extras: Extras, made_utc: str, scale: float, apart: bool):
        self.apart = apart
        self.page, self.media, self.extras, self.made_utc, self.scale = page, media, extras, made_utc, scale
        self.names = {c.id: c.name for c in page.campaign.configurations}

    def flowables(self) -> list[Flowable]:
        parts = [*self._head(), *self._answer(), *self._conditions(), *self._fitted(), *self._cautions()]
        for view in self.page.points:
            if view.sides:
                parts += self._point(view)
        return [*parts, *self._runs(), *self._left_out(), *self._corrections(), *self._method(), *self._provenance()]

    def _head(self) -> list[Flowable]:
        page = self.page
        counting = sum(run.counts for run in page.runs)
        facts = (
            f"{words.count(len(page.flights), 'flight')}, {words.count(len(page.runs), 'run')}, {counting} count; "
            f"{page.calls_in_all} calls",
            f"indicator in {page.unit}; reference weight {page.units.reference_weight or words.NONE}",
            page.review_words,
            f"made {self.made_utc}",
        )
        title = [
            _text(page.campaign.name, 16, bold=True),
            _text(f"Stall-speed flight test, {page.campaign.aircraft.name}", 9, MUTED),
            *(_text(line, 8) for line in facts),
        ]
        signed = [_text(f"{who}: {'_' * 26}", 8, spaceAfter=7) for who in ("Prepared", "Checked", "Date")]
        table = Table([[title, signed]], colWidths=[WIDTH * 0.66, WIDTH * 0.34])
        table.setStyle(
            [
                _font(),
                ("BOX", (0, 0), (-1, -1), 1.2, INK),
                ("LINEBEFORE", (1, 0), (1, 0), 0.5, LINE),
                ("VALIGN", (0, 0), (0, 0), "TOP"),
                ("VALIGN", (1, 0), (1, 0), "BOTTOM"),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 7),
            ]
        )
        return [table, Spacer(1, 8)]

    def _answer(self) -> list[Flowable]:
        parts: list[Flowable] = []
        pairs = answers(self.page)
        if not pairs:
            parts += [_heading("Stall speeds"), _text(no_comparison(self.page), 10, spaceAfter=5)]
            if said := unreviewed_sentence(self.page):
                parts += [_box([_text(f"Not all reviewed. {said}", 9)], MARK), Spacer(1, 4)]
        if pairs:
            parts += self._claims(pairs[-1])
        parts += self._line()
        for one in pairs[::-1]:
            if one is not pairs[-1]:
                parts += self._claims(one)
            parts += self._figures(one.figures)
            parts += [_shown(one.table), Spacer(1, 4)]
            if one.pair.common_notes:
                parts.append(_text(f"At every point: {'; '.join(one.pair.common_notes)}.", 8, spaceAfter=4))
        single = shown.single_table(self.page)
        if single.rows:
            parts += [Spacer(1, 4), _shown(single)]
        if grid := every_run(self.page):
            parts += [Spacer(1, 4), KeepTogether(self._figure(grid))]
        return parts

    def _line(self) -> list[Flowable]:
        """The line of the design: what was fitted and what it did, a generation a block."""
        line = line_of_design(self.page)
        parts: list[Flowable] = [_shown(shown.line_table(line, self.page.units))] if line else []
        if known := line_evidence(self.page):
            parts.append(_text("What the data show and what is not known", 11, bold=True, spaceBefore=6))
            parts += [_text(f"- {sentence}", 8.5, spaceAfter=1) for sentence in known]
        if any(one.stations for one in line):
            parts.append(_text(MAP_WORDS, 8.5, spaceBefore=6, spaceAfter=2))
        for one in line:
            words = [caption(one)]
            words += [f"{label[:1].upper()}{label[1:]}: {text}" for label, text in facts(one)]
            block: list[Flowable] = [
                _text(f"{one.number}. {one.configuration.name} ({one.configuration.id})", 11, bold=True, spaceBefore=6),
                to_drawing(one.drawing, WIDTH * 0.62),
                *[_text(text, 8.5, spaceAfter=1) for text in words],
            ]
            if one.flown:
                block.append(_shown(shown.generation_table(one, self.page.units)))
            for strip in self.extras.line:
                if strip.configuration == one.configuration.id:
                    block += self._strip(strip)
            parts.append(KeepTogether(block))
        return [_heading("The line of the design"), *parts, Spacer(1, 6)] if parts else []

    def _strip(self, strip: LinePicture) -> list[Flowable]:
        """A generation's wings at the same ratios to the stall, or why there are none."""
        if not strip.jpeg:
            return [_text(f"{strip.description[:1].upper()}{strip.description[1:]}.", 8.5, MUTED, spaceAfter=3)]
        image = Image(io.BytesIO(strip.jpeg))
        scale = WIDTH * self.scale / image.imageWidth
        image.drawWidth, image.drawHeight = image.imageWidth * scale, image.imageHeight * scale
        return [Spacer(1, 4), image, _text(strip.caption, 7.6, MUTED, spaceAfter=4)]

    def _claims(self, one: PairAnswer) -> list[Flowable]:
        head = Paragraph(
            f"{marked(one.pair.changed.name)} <font color='#59616a'>against {marked(one.pair.reference.name)}</font>",
            _style(12.5, bold=True, spaceBefore=6, spaceAfter=4, keepWithNext=1),
        )
        claims = [
            Paragraph(
                f"<b>{marked(said.about)}</b> {marked(said.text)} <font size='8' color='#59616a'>({said.tone})</font>",
                _style(11, spaceAfter=3),
            )
            for said in one.said
        ]
        notes = [_text(line, 8.5, spaceAfter=2) for line in one.caveats]
        return [head, *claims, *([_box(notes, MARK)] if notes else []), Spacer(1, 5)]

    def _conditions(self) -> list[Flowable]:
        table = shown.conditions_table(self.page, dict(self.extras.conditions))
        return [_heading("Conditions"), _shown(table), Spacer(1, 5)]

    def _fitted(self) -> list[Flowable]:
        parts: list[Flowable] = []
        for photo in self.extras.photos:
            image = Image(io.BytesIO(photo.jpeg))
            scale = WIDTH * 0.45 * self.scale / image.imageWidth
            image.drawWidth, image.drawHeight = image.imageWidth * scale, image.imageHeight * scale
            name = self.names.get(photo.configuration, photo.configuration)
            parts.append([image, _text(f"{name}: {photo.file}", 7.5, MUTED)])
        if not parts:
            return []
        rows = [(parts[k : k + 2] + [""])[:2] for k in range(0, len(parts), 2)]
        table = Table(rows, colWidths=[WIDTH / 2] * 2)
        table.setStyle([_font(), ("VALIGN", (0, 0), (-1, -1), "TOP"), *_NO_PADDING])
        return [_heading("What was fitted"), table, Spacer(1, 5)]

    def _cautions(self) -> list[Flowable]:
        lines = [
            CAUTIONS[0],
            (
                f"They hold for this aircraft, as it was rigged, loaded and flown: {shown.flown_words(self.page)} "
                "Outside that range nothing here has been shown."
            ),
            CAUTIONS[1],
            *self.page.campaign.team.cautions,
        ]
        box = _box([_text(line, 9, spaceAfter=3) for line in lines], colors.white)
        return [KeepTogether([_heading("What these figures are not"), box])]

    def _point(self, view: PointView) -> list[Flowable]:
        head: list[Flowable] = [_heading(f"{view.point.id}: {view.point.label}")]
        for c in view.comparisons:
            changed = self.names.get(c.changed, c.changed)
            said = words.sentence(c, view.point.label, changed, self.page.units)
            head.append(_marked(said, view.caveat, 9.5, bold=True))
        if not view.comparisons and view.caveat:
            head.append(_marked("", view.caveat))
        parts: list[Flowable] = []
        if view.figures:
            head += self._figure(view.figures[0], WIDTH * 0.84)
            parts += self._figures(view.figures[1:])
        return [
            KeepTogether(head),
            *parts,
            *self._sheet(view),
            *(part for saved in view.stills if saved.uri for part in _saved(saved)),
            _shown(shown.sides_table(view, self.page)),
            Spacer(1, 5),
            *self._budgets(view),
        ]

    def _figure(self, figure: Picture, width: float = WIDTH) -> list[Flowable]:
        see = f"<b>{marked(figure.see)}.</b> " if figure.see else ""
        caption = Paragraph(f"{see}{marked(figure.title)}. {marked(figure.caption)}", _style(7.6, MUTED, spaceAfter=6))
        return [to_drawing(lay_out(figure), width * self.scale), caption]

    def _figures(self, figures: Sequence[Picture]) -> list[Flowable]:
        """Two beside each other; what is wide, and the last of an odd number, by itself."""
        parts: list[Flowable] = []
        waiting = list(figures)
        while waiting:
            pair, waiting = waiting[:2], waiting[2:]
            if len(pair) == 1:
                parts.append(KeepTogether(self._figure(pair[0], WIDTH * 0.7)))
                continue
            table = Table([[self._figure(figure, WIDTH / 2 - 6) for figure in pair]], colWidths=[WIDTH / 2] * 2)
            table.setStyle([_font(), ("VALIGN", (0, 0), (-1, -1), "TOP"), *_NO_PADDING])
            parts.append(table)
        return parts

    def _sheet(self, view: PointView) -> list[Flowable]:
        if not view.sheet:
            return []
        wide = (WIDTH - 24 * mm) / len(view.sheet[0].shots)
        rows = [
            [
                _text(row.side.configuration.name, 8, bold=True),
                *(_picture(shot, wide * self.scale - 4, self.page.units) for shot in row.shots),
            ]
            for row in view.sheet
        ]
        table = Table(rows, colWidths=[24 * mm] + [wide] * len(view.sheet[0].shots))
        table.setStyle(
            [_font(), ("VALIGN", (0, 0), (-1, -1), "TOP"), *_NO_PADDING, ("BOTTOMPADDING", (0, 0), (-1, -1), 5)]
        )
        head = _text("The wing at those speeds", 9, bold=True, spaceBefore=6, spaceAfter=3)
        return [KeepTogether([head, table]), Spacer(1, 5)]

    def _budgets(self, view: PointView) -> list[Flowable]:
        parts: list[Flowable] = []
        for name, terms, comparison in view.budgets:
            *rows, total = shown.budget_table(name, terms, comparison, self.page).rows
            listed = "; ".join(
                f"{row[0].text} {row[1].text}{' (cancels)' if comparison and term.cancels else ''}"
                for row, term in zip(rows, terms, strict=True)
            )
            together = f"together {total[1].text}, {total[2].text}"
            said = f"Uncertainty, {name}, k = 1, {self.page.unit}: {listed}; {together}."
            parts.append(_text(said, 7.8, MUTED, spaceAfter=2))
        return parts

    def _runs(self) -> list[Flowable]:
        said = media_words(self.media) + " Sound is on the page, not on paper."
        parts: list[Flowable] = [_heading("Runs and calls"), _text(said, 8.5, MUTED, spaceAfter=4, keepWithNext=1)]
        if self.page.chosen:
            said = f"Not every run is listed here. {self.page.chosen} All runs are in runs.csv, all calls in calls.csv."
            parts.append(_text(said, 8.5, spaceAfter=4))
        parts += [_shown(shown.runs_table(self.page)), Spacer(1, 6)]
        return parts + [self._calls(run) for run in self.page.shown]

    def _calls(self, run: RunView) -> Paragraph:
        listed = []
        for view in run.calls:
            text = f"{words.clock(view.call.flight_s)} {view.description}"
            text += f" [{view.heard}]" if view.heard else ""
            text += "" if view.call.reviewed else " (?)"
            listed.append(text + (" *" if view.used else ""))
        return _text(f"{run.name}: {'; '.join(listed)}.", 7.2, MUTED, spaceAfter=3)

    def _left_out(self) -> list[Flowable]:
        table = shown.excluded_table(self.page)
        return [
            _text("In the lists of calls: * used in the fit, (?) not reviewed.", 7.8, MUTED),
            _heading("Left out, and why"),
            _shown(table) if table.rows else _text("Nothing was left out."),
        ]

    def _corrections(self) -> list[Flowable]:
        table = shown.corrections_table(self.page)
        return [_heading("Corrections"), _shown(table) if table.rows else _text("None.")]

    def _method(self) -> list[Flowable]:
        steps = [_text(f"{k}. {name}. {text}", 8.5, spaceAfter=3) for k, (name, text) in enumerate(METHOD, 1)]
        start = [PageBreak()] if self.apart else []
        return [*start, _heading("Method"), *steps, _text(SOURCES_NOTE, 8, MUTED)]

    def _provenance(self) -> list[Flowable]:
        return [_heading("Where it comes from"), _shown(shown.flights_table(self.page))]


_NO_PADDING = [(name, (0, 0), (-1, -1), 0) for name in ("LEFTPADDING", "RIGHTPADDING", "TOPPADDING", "BOTTOMPADDING")]


def _font() -> tuple:
    """A table's own font, though all its cells bring theirs: else it asks for one that is not embedded."""
    return ("FONTNAME", (0, 0), (-1, -1), register()[0])


def _heading(text: str) -> Paragraph:
    return _text(text, 12.5, bold=True, spaceBefore=12, spaceAfter=5, keepWithNext=1)


def _box(content: list, ground) -> Table:
    table = Table([[content]], colWidths=(WIDTH,))
    table.setStyle([_font(), ("BOX", (0, 0), (-1, -1), 0.9, INK), ("BACKGROUND", (0, 0), (-1, -1), ground)])
    return table


def _shown(table: ShownTable) -> Table:
    total = sum(column.share for column in table.columns)
    head = [Paragraph("<br/>".join(map(marked, c.head.split("\n"))), _style(7.4, bold=True)) for c in table.columns]
    cells = [[_cell(cell) for cell in row] for row in table.rows]
    flowable = Table([head, *cells], colWidths=[WIDTH * c.share / total for c in table.columns], repeatRows=1)
    flowable.setStyle(
        [
            _font(),
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, LINE),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ]
    )
    return flowable


def _cell(cell: Cell) -> Paragraph:
    text = f"<b>{marked(cell.text)}</b>" if cell.strong else marked(cell.text)
    if cell.mark:
        text += f' <font backColor="#fff3d9">&nbsp;{marked(cell.mark)}&nbsp;</font>'
    small = "".join(f'<br/><font size="6.6" color="#59616a">{marked(line)}</font>' for line in cell.small)
    return Paragraph(text + small, _style(7.8, splitLongWords=1))


def _saved(saved) -> list[Flowable]:
    image = Image(io.BytesIO(base64.b64decode(saved.uri.split(",", 1)[1])))
    scale = min(WIDTH / image.imageWidth, 190 * mm / image.imageHeight)
    image.drawWidth, image.drawHeight = image.imageWidth * scale, image.imageHeight * scale
    return [KeepTogether([image, _text(saved.caption, 7.5, MUTED)]), Spacer(1, 5)]


def _picture(shot, width: float, units: words.Units) -> list[Flowable]:
    if not shot.uri:
        return [_text(f"{shot.caption}: no picture", 7.5, MUTED)]
    data = io.BytesIO(base64.b64decode(shot.uri.split(",", 1)[1]))
    image = Image(data)
    scale = width / image.imageWidth
    image.drawWidth, image.drawHeight = width, image.imageHeight * scale
    return [
        image,
        _text(
            f"{shot.caption}, {units.text(shot.ias_kt)} {units.speed_unit}, {words.clock(shot.flight_s)}", 7.5, MUTED
        ),
    ]
