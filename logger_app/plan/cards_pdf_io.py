"""Kneeboard cards on paper: the full fall-back for the tablet.

Two panels to a sheet, to be cut or folded: A5 on A4 landscape, or half letter on letter. Each
card has a panel to fly from and a panel to write on; every panel carries the floor, the team's
knock-it-off criteria and the cautions. Speeds are in the pilot's unit. Main name: `write_cards`.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph

from logger_app.errors import ReportError
from logger_app.io.files import complete_file
from logger_app.plan.paper import SCALES, Blocks, Look, Panel, foot_of, notes_panel, panels_of
from logger_app.records.plan import Campaign, PlannedFlight

PAPERS = {"a5": landscape(A4), "half-letter": landscape(LETTER)}
_MARGIN = 8 * mm
_HEAD = 17 * mm


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
        The PDF; put in its place completely or not at all.
    paper : str
        ``a5`` (two on A4) or ``half-letter`` (two on letter).
    flight : PlannedFlight, optional
        Only its cards, with its configuration, weight and CG; else all, to be filled in.
    runs : mapping of str to int, optional
        Runs by point id; else as many as each point wants.

    Raises
    ------
    ReportError
        The folder is not there or cannot be written to.
    """
    look = _look(campaign, PAPERS[paper])
    panels = panels_of(look, campaign, flight, runs)
    try:
        with complete_file(out) as part:
            canvas = Canvas(str(part), pagesize=PAPERS[paper], invariant=1)
            canvas.setTitle(f"Test cards: {campaign.name}")
            canvas.setAuthor("kneecall")
            sheets = _draw(canvas, look, campaign, panels, PAPERS[paper])
            canvas.save()
    except OSError as err:
        raise ReportError(f"{out}: the cards could not be written: {err.strerror or err}") from err
    return sheets


def _look(campaign: Campaign, paper: tuple[float, float]) -> Look:
    """Fonts that travel with a library we have anyway; the one with more letters if it takes it."""
    width = paper[0] / 2 - 2 * _MARGIN
    spec = importlib.util.find_spec("kivy")
    if spec is None or not spec.submodule_search_locations:
        return Look("Helvetica", "Helvetica-Bold", width)
    fonts = Path(next(iter(spec.submodule_search_locations))) / "data" / "fonts"
    for name, file in (("Card", "Roboto-Regular"), ("CardBold", "Roboto-Bold"), ("CardWide", "DejaVuSans")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(fonts / f"{file}.ttf")))
    known = pdfmetrics.getFont("Card").face.charToGlyph
    if all(ord(letter) in known or letter.isspace() for letter in str(campaign)):
        return Look("Card", "CardBold", width)
    return Look("CardWide", "CardWide", width)


def _draw(canvas: Canvas, look: Look, campaign: Campaign, panels: Sequence[Panel], paper: tuple[float, float]) -> int:
    """Put the panels on sheets, two to each; a panel that is full goes on in the next one."""
    height = paper[1]
    foot = foot_of(look, campaign)
    room = height - 2 * _MARGIN - _HEAD - _foot_height(foot, look.width) - 3 * mm
    notes = notes_panel(look)
    place = 0
    for panel in panels:
        if panel.starts_left and place % 2:
            blocks = _largest(notes.body, look.width, room)
            _draw_panel(canvas, look, notes, notes.title, foot, place, paper, blocks, room)
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
    look: Look,
    panel: Panel,
    title: str,
    foot: Sequence[Paragraph],
    place: int,
    paper: tuple[float, float],
    blocks: Blocks,
    room: float,
) -> Blocks:
    """Draw one half of a sheet; returns what did not fit."""
    if place and place % 2 == 0:
        canvas.showPage()
    width, height = paper[0] / 2, paper[1]
    left = (place % 2) * width
    _draw_head(canvas, look, panel, title, left, width, height)
    foot_height = _draw_foot(canvas, foot, left, width)
    _cut_line(canvas, paper)
    return _fill(canvas, blocks, left + _MARGIN, _MARGIN + foot_height + 1 * mm + room, look.width, room)


def _largest(body: Callable[[float], Blocks], width: float, room: float) -> Blocks:
    """The content in the largest type in which all of it fits, else in the smallest."""
    for scale in SCALES:
        blocks = body(scale)
        if sum(_tall(block, width) for block in blocks) <= room:
            return blocks
    return body(SCALES[-1])


def _tall(block: list[Flowable], width: float) -> float:
    return sum(f.wrap(width, 10_000)[1] + f.getSpaceBefore() + f.getSpaceAfter() for f in block)


def _fill(canvas: Canvas, blocks: Blocks, left: float, top: float, width: float, room: float) -> Blocks:
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


def _break_up(canvas: Canvas, block: list[Flowable], left: float, top: float, width: float, room: float) -> Blocks:
    """A block taller than a panel (a very long text): as much as fits now, the rest after it."""
    parts = block[0].split(width, room) if len(block) == 1 else [[f] for f in block]
    if len(block) > 1:
        return _fill(canvas, parts, left, top, width, room)
    if len(parts) < 2:
        return []
    _fill(canvas, [[parts[0]]], left, top, width, room)
    return [[part] for part in parts[1:]]


def _draw_head(canvas: Canvas, look: Look, panel: Panel, words: str, left: float, width: float, height: float) -> None:
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
