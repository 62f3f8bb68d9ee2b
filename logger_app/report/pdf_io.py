"""The report as a PDF: the same answer, figures and tables on A4, in its own layout."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Sequence
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
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from logger_app import __version__
from logger_app.report import words
from logger_app.report.figures_pdf import to_drawing
from logger_app.report.fonts_io import marked, register
from logger_app.report.layout import lay_out
from logger_app.report.media import Media
from logger_app.report.page import (
    flown_words,
    forests,
    margin_words,
    media_words,
    no_comparison,
    single_cells,
    unreviewed_sentence,
)
from logger_app.report.plot import Figure
from logger_app.report.prose import CAUTIONS, METHOD, SOURCES_NOTE
from logger_app.report.view import Page, PointView, Row, RunView

MARGIN = 15 * mm
WIDTH = A4[0] - 2 * MARGIN
INK = colors.HexColor("#1c2126")
MUTED = colors.HexColor("#59616a")
LINE = colors.HexColor("#c9c6bc")
MARK = colors.HexColor("#fff3d9")


def write_pdf(path: Path, page: Page, media: Media, made_utc: str) -> None:
    """Write the PDF."""
    document = BaseDocTemplate(
        str(path),
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
    frame = Frame(
        MARGIN, 18 * mm, WIDTH, A4[1] - MARGIN - 18 * mm, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0
    )
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=lambda canvas, _: _foot(canvas, page, made_utc)))
    document.build(_Story(page, media, made_utc).flowables())


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
    """The parts of the document, in order."""

    def __init__(self, page: Page, media: Media, made_utc: str):
        self.page, self.media, self.made_utc = page, media, made_utc
        self.names = {c.id: c.name for c in page.campaign.configurations}

    def flowables(self) -> list[Flowable]:
        parts = [*self._head(), *self._answer(), *self._cautions()]
        for view in self.page.points:
            if view.sides:
                parts += self._point(view)
        return [*parts, *self._runs(), *self._left_out(), *self._corrections(), *self._method(), *self._provenance()]

    def _head(self) -> list[Flowable]:
        page = self.page
        counting = sum(run.counts for run in page.runs)
        facts = f"{words.count(len(page.flights), 'flight')}, {words.count(len(page.runs), 'run')}, {counting} count"
        table = Table(
            [
                [
                    [
                        _text(page.campaign.name, 17, bold=True),
                        _text(f"Stall-speed flight test: {page.campaign.aircraft.name}", 9.5, MUTED),
                    ],
                    [
                        _text(facts, 8.5),
                        _text(f"{page.calls_in_all} calls; indicator in {page.unit}", 8.5),
                        _text(
                            f"reference weight {words.number(page.campaign.aircraft.reference_weight_kg, 0)} kg", 8.5
                        ),
                        _text(f"made {self.made_utc}", 8.5),
                    ],
                ]
            ],
            colWidths=[WIDTH * 0.66, WIDTH * 0.34],
        )
        table.setStyle(
            [
                _font(),
                ("BOX", (0, 0), (-1, -1), 1.2, INK),
                ("LINEBEFORE", (1, 0), (1, 0), 0.5, LINE),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 7),
            ]
        )
        parts: list[Flowable] = [table, Spacer(1, 8)]
        if said := unreviewed_sentence(page):
            parts += [
                _box([_text(f"Not all reviewed. {said} Figures that rest on them are marked.", 9)], MARK),
                Spacer(1, 4),
            ]
        return parts

    def _answer(self) -> list[Flowable]:
        parts: list[Flowable] = [_heading("Answer")]
        if not self.page.pairs:
            parts.append(_text(no_comparison(self.page), 10, spaceAfter=5))
        for pair, figure in zip(self.page.pairs, forests(self.page), strict=True):
            for row in pair.rows:
                parts.append(_marked(words.sentence(row.comparison, pair.changed.name), row.caveat, 10.5))
            parts += [Spacer(1, 4), self._comparison_table(pair), Spacer(1, 6)]
            if pair.common_notes:
                parts.append(_text(f"At every point: {'; '.join(pair.common_notes)}.", 8.5, spaceAfter=4))
            if figure:
                parts.append(KeepTogether(self._figure(figure)))
        if single := single_cells(self.page):
            parts += [Spacer(1, 4), self._single_table(single)]
        return parts

    def _comparison_table(self, pair) -> Table:
        a, b, unit = pair.reference.id, pair.changed.id, self.page.unit
        head = (
            "Point",
            "Power",
            "Flap\n[deg]",
            "Bank\n[deg]",
            f"{a}\nIAS [{unit}]",
            f"{b}\nIAS [{unit}]",
            f"{a}\nCAS [kt]",
            f"{b}\nCAS [kt]",
            "Difference\n[kt]",
            "95 %\n[kt]",
            "Runs",
            "Conclusion",
        )
        rows = [self._comparison_row(row) for row in pair.rows]
        return _table(head, rows, (1.0, 1.4, 0.8, 0.8, 1.5, 1.3, 1.5, 1.3, 1.5, 1.9, 0.9, 2.6))

    def _comparison_row(self, row: Row) -> Sequence:
        c, p, unit = row.comparison, row.point, self.page.unit
        cells = [side.cell if side else None for side in (row.reference, row.changed)]
        verdict = words.VERDICTS.get(c.verdict, c.verdict)
        return (
            p.id,
            p.power,
            f"{p.flap_deg:g}",
            words.number(p.bank_deg, 0),
            *(words.indicated(cell.vs_ias_kt if cell else None, unit) for cell in cells),
            *(words.number(cell.vs_std_kt if cell else None) for cell in cells),
            words.number(c.difference_kt, 1, True),
            words.interval(c.low_kt, c.high_kt),
            f"{c.n_reference} + {c.n_changed}",
            _marked(verdict, row.caveat, 7.8, bold=True),
        )

    def _single_table(self, single) -> Table:
        head = (
            "Point",
            "Conditions",
            "Configuration",
            f"IAS\n[{self.page.unit}]",
            "CAS, ref. weight\n[kt]",
            "95 %\n[kt]",
            "Runs",
            "Event",
        )
        rows = [
            (
                view.point.id,
                view.point.label,
                side.configuration.name,
                words.indicated(cell.vs_ias_kt, self.page.unit),
                words.number(cell.vs_std_kt),
                words.interval(cell.low_kt, cell.high_kt, 1, False),
                str(cell.n),
                _marked(words.event_words(cell.event), view.caveat, 7.8),
            )
            for view, side, cell in single
        ]
        return _table(head, rows, (0.8, 2.4, 2.2, 1.0, 1.5, 1.6, 0.7, 2.2))

    def _cautions(self) -> list[Flowable]:
        lines = [
            CAUTIONS[0],
            (
                f"They hold for this aircraft, as it was rigged, loaded and flown: {flown_words(self.page)} "
                "Outside that range nothing here has been shown."
            ),
            CAUTIONS[1],
            *self.page.campaign.team.cautions,
        ]
        return [
            KeepTogether(
                [
                    _heading("What these figures are not"),
                    _box([_text(line, 9, spaceAfter=3) for line in lines], colors.white),
                ]
            )
        ]

    def _point(self, view: PointView) -> list[Flowable]:
        head = [_heading(f"{view.point.id}: {view.point.label}")]
        if view.caveat:
            head.append(_marked("", view.caveat))
        for c in view.comparisons:
            head.append(_text(words.sentence(c, self.names.get(c.changed, c.changed)), 9.5, bold=True, spaceAfter=4))
        parts: list[Flowable] = []
        if view.figures:
            head += self._figure(view.figures[0])
        for k in range(1, len(view.figures), 2):
            parts += self._pair_of_figures(view.figures[k : k + 2])
        return [
            KeepTogether(head),
            *parts,
            *self._sheet(view),
            *(part for saved in view.stills if saved.uri for part in _saved(saved)),
            self._sides_table(view),
            Spacer(1, 5),
            *self._budgets(view),
        ]

    def _figure(self, figure: Figure, width: float = WIDTH) -> list[Flowable]:
        return [to_drawing(lay_out(figure), width), _text(f"{figure.title}.", 7.8, MUTED, spaceAfter=6)]

    def _pair_of_figures(self, figures: Sequence[Figure]) -> list[Flowable]:
        half = WIDTH / 2 - 4
        cells = [self._figure(figure, half) for figure in figures]
        table = Table([cells + [""] * (2 - len(cells))], colWidths=[WIDTH / 2] * 2)
        table.setStyle([_font(), ("VALIGN", (0, 0), (-1, -1), "TOP"), *_NO_PADDING])
        return [table]

    def _sheet(self, view: PointView) -> list[Flowable]:
        if not view.sheet:
            return []
        wide = (WIDTH - 24 * mm) / len(view.sheet[0].shots)
        rows = [
            [
                _text(row.side.configuration.name, 8, bold=True),
                *(_picture(shot, wide - 4, self.page.unit) for shot in row.shots),
            ]
            for row in view.sheet
        ]
        table = Table(rows, colWidths=[24 * mm] + [wide] * len(view.sheet[0].shots))
        table.setStyle(
            [_font(), ("VALIGN", (0, 0), (-1, -1), "TOP"), *_NO_PADDING, ("BOTTOMPADDING", (0, 0), (-1, -1), 5)]
        )
        head = _text("The wing at those speeds", 9, bold=True, spaceBefore=6, spaceAfter=3)
        return [KeepTogether([head, table]), Spacer(1, 5)]

    def _sides_table(self, view: PointView) -> Table:
        head = (
            "Configuration",
            "Event",
            "Runs",
            f"IAS\n[{self.page.unit}]",
            "CAS, ref. weight\n[kt]",
            "95 % of repeats\n[kt]",
            "with systematic\n[kt]",
            "At 1 kt/s\n[kt]",
            "Warning\nmargin [kt]",
            "Wing drop",
        )
        rows = []
        for side in view.sides:
            for cell in side.cells:
                rows.append(
                    (
                        side.configuration.name,
                        words.event_words(cell.event),
                        str(cell.n),
                        words.indicated(cell.vs_ias_kt, self.page.unit),
                        words.number(cell.vs_std_kt, 2),
                        words.interval(cell.low_kt, cell.high_kt, 1, False),
                        words.interval(cell.total_low_kt, cell.total_high_kt, 1, False),
                        words.number(cell.at_1_kt_per_s_kt, 2),
                        margin_words(side),
                        words.tally(side.wing_drops),
                    )
                )
            if not side.cells:
                rows.append((side.configuration.name, "no run counts", *("",) * 8))
        return _table(head, rows, (2.0, 1.5, 0.7, 0.9, 1.4, 1.6, 1.6, 1.2, 1.4, 1.9))

    def _budgets(self, view: PointView) -> list[Flowable]:
        parts: list[Flowable] = []
        for name, terms in view.budgets:
            listed = "; ".join(
                f"{t.name} {words.number(t.u_kt, 2)}{'' if t.kind == 'random' else ' (systematic' + (', cancels' if t.cancels else '') + ')'}"
                for t in terms
            )
            together = words.number(sum(t.u_kt**2 for t in terms) ** 0.5, 2)
            parts.append(
                _text(f"Uncertainty, {name}, k = 1, kt: {listed}; together {together}.", 7.8, MUTED, spaceAfter=2)
            )
        return parts

    def _runs(self) -> list[Flowable]:
        head = (
            "Run",
            "Point",
            "Configuration",
            "From, to",
            f"IAS\n[{self.page.unit}]",
            "± u",
            "CAS, ref.\n[kt]",
            "Rate\n[kt/s]",
            "Counts",
        )
        parts: list[Flowable] = [
            _heading("Runs and calls"),
            _text(
                media_words(self.media) + " Sound is on the page, not on paper.",
                8.5,
                MUTED,
                spaceAfter=4,
                keepWithNext=1,
            ),
        ]
        if self.page.chosen:
            said = f"Not every run is listed here. {self.page.chosen} All runs are in runs.csv, all calls in calls.csv."
            parts.append(_text(said, 8.5, spaceAfter=4))
        parts.append(
            _table(head, [self._run_row(run) for run in self.page.shown], (2.4, 0.8, 1.7, 2.1, 0.9, 0.7, 1.0, 0.9, 3.2))
        )
        parts.append(Spacer(1, 6))
        for run in self.page.shown:
            parts.append(self._calls(run))
        return parts

    def _run_row(self, run: RunView) -> Sequence:
        r = run.result if run.stalled else None
        rate = run.result.entry_rate_kt_per_s if run.result else None
        counts = "yes" if run.counts else f"no: {'; '.join(run.why) or 'not reduced'}"
        caveat = f"{run.unreviewed} of {len(run.calls)} calls not reviewed" if run.unreviewed else ""
        return (
            run.name,
            run.run.point or words.NONE,
            run.configuration or words.NONE,
            f"{words.clock(run.run.start_s)} to {words.clock(run.run.end_s)}",
            words.indicated(r.vs_ias_kt if r else None, self.page.unit),
            words.indicated(r.vs_ias_u_kt if r else None, self.page.unit, 2),
            words.number(r.vs_std_kt if r else None),
            words.number(rate, 2),
            _marked(counts, caveat, 7.8),
        )

    def _calls(self, run: RunView) -> Paragraph:
        listed = []
        for view in run.calls:
            text = f"{words.clock(view.call.flight_s)} {view.says}"
            text += f" [{view.heard}]" if view.heard else ""
            text += "" if view.call.reviewed else " (?)"
            listed.append(text + (" *" if view.used else ""))
        return _text(f"{run.name}: {'; '.join(listed)}.", 7.2, MUTED, spaceAfter=3)

    def _left_out(self) -> list[Flowable]:
        rows = [(name, item.why) for item, name, _ in self.page.excluded]
        if len(rows) < self.page.excluded_in_all:
            rows.insert(
                0, (f"{self.page.excluded_in_all} in all", f"the newest {len(rows)} follow; all are in runs.csv")
            )
        body = _table(("What", "Why"), rows, (1.0, 2.4)) if rows else _text("Nothing was left out.")
        return [
            _text("In the lists of calls: * used in the fit, (?) not reviewed.", 7.8, MUTED),
            _heading("Left out, and why"),
            body,
        ]

    def _corrections(self) -> list[Flowable]:
        rows = [
            (
                k.utc,
                k.who,
                f"{k.action} " + " ".join(f"{name} {value}" for name, value in k.payload),
                f"{flight}, {k.target}",
                k.why,
            )
            for flight, k, _ in self.page.corrections
        ]
        if len(rows) < self.page.corrections_in_all:
            rows.insert(0, ("", "", f"{self.page.corrections_in_all} in all", "", f"the newest {len(rows)} follow"))
        body = _table(("When", "Who", "What", "On", "Why"), rows, (1.5, 1.0, 1.6, 1.8, 2.4)) if rows else _text("None.")
        return [_heading("Corrections"), body]

    def _method(self) -> list[Flowable]:
        steps = [_text(f"{k}. {name}. {text}", 8.5, spaceAfter=3) for k, (name, text) in enumerate(METHOD, 1)]
        return [_heading("Method"), *steps, _text(SOURCES_NOTE, 8, MUTED)]

    def _provenance(self) -> list[Flowable]:
        rows = [
            (
                d.info.id,
                d.info.configuration or words.NONE,
                d.info.started_utc or words.NONE,
                ", ".join(d.packs) or words.NONE,
                d.journal_sha256 or words.NONE,
            )
            for d in self.page.flights
        ]
        return [
            _heading("Where it comes from"),
            _table(("Flight", "Configuration", "Begun", "Packs", "Journal, SHA-256"), rows, (1.5, 1.3, 1.8, 1.2, 3.4)),
        ]


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


def _table(head: Sequence[str], rows: Iterable[Sequence], shares: Sequence[float]) -> Table:
    total = sum(shares)
    cells = [[Paragraph(marked(h).replace("\n", "<br/>"), _style(7.4, bold=True)) for h in head]]
    cells += [[cell if isinstance(cell, Flowable) else _text(cell, 7.8) for cell in row] for row in rows]
    table = Table(cells, colWidths=[WIDTH * share / total for share in shares], repeatRows=1)
    table.setStyle(
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
    return table


def _saved(saved) -> list[Flowable]:
    image = Image(io.BytesIO(base64.b64decode(saved.uri.split(",", 1)[1])))
    scale = min(WIDTH / image.imageWidth, 190 * mm / image.imageHeight)
    image.drawWidth, image.drawHeight = image.imageWidth * scale, image.imageHeight * scale
    return [KeepTogether([image, _text(saved.caption, 7.5, MUTED)]), Spacer(1, 5)]


def _picture(shot, width: float, unit: str) -> list[Flowable]:
    if not shot.uri:
        return [_text(f"{shot.caption}: no picture", 7.5, MUTED)]
    data = io.BytesIO(base64.b64decode(shot.uri.split(",", 1)[1]))
    image = Image(data)
    scale = width / image.imageWidth
    image.drawWidth, image.drawHeight = width, image.imageHeight * scale
    return [
        image,
        _text(f"{shot.caption}, {words.indicated(shot.ias_kt, unit)} {unit}, {words.clock(shot.flight_s)}", 7.5, MUTED),
    ]
