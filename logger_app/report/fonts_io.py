"""Fonts for the PDF: those that come with Kivy, so that names in other scripts are not boxes."""

from __future__ import annotations

from functools import cache
from xml.sax.saxutils import escape

from logger_app.io.fonts import font_folder

FAMILIES = ("Roboto-Regular", "Roboto-Bold", "DejaVuSans")


@cache
def register() -> tuple[str, str, str]:
    """Register the fonts with reportlab; gives the names of the plain font, the bold one, and the one with more letters."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = font_folder()
    if folder is None or not all((folder / f"{name}.ttf").is_file() for name in FAMILIES):
        return "Helvetica", "Helvetica-Bold", "Helvetica"
    for name in FAMILIES:
        pdfmetrics.registerFont(TTFont(f"report-{name}", str(folder / f"{name}.ttf")))
    plain, bold, wide = (f"report-{name}" for name in FAMILIES)
    pdfmetrics.registerFontFamily(plain, normal=plain, bold=bold, italic=plain, boldItalic=bold)
    return plain, bold, wide


def marked(text: str) -> str:
    """Text for a reportlab paragraph: escaped, with letters that the plain font lacks set in the wide one."""
    plain, _, wide = register()
    have = _letters(plain)
    if have is None:
        return escape(text)
    parts, run, in_wide = [], "", False
    for ch in text:
        lacking = ord(ch) not in have and not ch.isspace()
        if lacking != in_wide:
            parts.append(_wrapped(run, wide if in_wide else ""))
            run, in_wide = "", lacking
        run += ch
    parts.append(_wrapped(run, wide if in_wide else ""))
    return "".join(parts)


def font_for(text: str, bold: bool = False) -> str:
    """Name of the font for a line that is drawn in one: the wide one when the plain lacks a letter."""
    plain, strong, wide = register()
    have = _letters(plain)
    lacking = have is not None and any(ord(ch) not in have and not ch.isspace() for ch in text)
    return wide if lacking else strong if bold else plain


def _wrapped(text: str, font: str) -> str:
    if not text:
        return ""
    return f'<font name="{font}">{escape(text)}</font>' if font else escape(text)


@cache
def _letters(font: str) -> frozenset[int] | None:
    from reportlab.pdfbase import pdfmetrics

    face = getattr(pdfmetrics.getFont(font), "face", None)
    glyphs = getattr(face, "charToGlyph", None)
    return frozenset(glyphs) if glyphs else None
