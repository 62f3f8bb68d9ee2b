"""Shapes to SVG text. Colours are classes on the page (light and dark) and attributes in a file of its own."""

from __future__ import annotations

import math
from html import escape as escape_markup

from logger_app.report.layout import Drawing, Label, Marker, Shape, Stroke
from logger_app.report.style import ROLES
from logger_app.report.words import printable

FONTS = "ui-sans-serif, 'Helvetica Neue', Arial, 'Liberation Sans', sans-serif"


def to_svg(drawing: Drawing, standalone: bool = False) -> str:
    """An SVG element.

    Parameters
    ----------
    standalone : bool
        For a file of its own: with the name space and a white ground.

    Returns
    -------
    str
        One ``svg`` element with title, description and ``role="img"``.
    """
    size = f'viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}"'
    name_space = ' xmlns="http://www.w3.org/2000/svg"' if standalone else ""
    # A picture with links in it is no single image to a screen reader.
    linked = not standalone and any(isinstance(shape, Label | Marker) and shape.link for shape in drawing.shapes)
    role = "group" if linked else "img"
    parts = [
        (
            f'<svg{name_space} class="figure" {size} role="{role}" aria-labelledby="{drawing.id}-t {drawing.id}-d" '
            f'font-family="{FONTS}">'
        ),
        f'<title id="{drawing.id}-t">{_escape(drawing.title)}</title>',
        f'<desc id="{drawing.id}-d">{_escape(drawing.description)}</desc>',
    ]
    if standalone:
        parts.append(f'<rect width="{_n(drawing.width)}" height="{_n(drawing.height)}" fill="#ffffff"/>')
    parts += [_shape(shape, standalone) for shape in drawing.shapes]
    return "\n".join([*parts, "</svg>"])


def page_colours() -> tuple[str, str]:
    """The CSS of the figures' colours, for light and for dark."""
    light, dark = ("".join(f"--{role}:{pair[k]};" for role, pair in ROLES.items()) for k in (0, 1))
    return light, dark


def marker_path(shape: str, x: float, y: float, size: float) -> str:
    """Path data of a marker centred on a point.

    Parameters
    ----------
    x : float
        Centre, across [px].
    y : float
        Centre, down [px].
    size : float
        Size [px].
    """
    if shape == "circle":
        return f"M{_n(x - size)} {_n(y)}a{_n(size)} {_n(size)} 0 1 0 {_n(2 * size)} 0a{_n(size)} {_n(size)} 0 1 0 {_n(-2 * size)} 0z"
    lines = [" L".join(f"{_n(px)} {_n(py)}" for px, py in line) for line in marker_lines(shape, x, y, size)]
    return "".join(f"M{line}{'' if shape == 'cross' else 'z'}" for line in lines)


def marker_lines(shape: str, x: float, y: float, size: float) -> list[list[tuple[float, float]]]:
    """Corners of a marker that is made of straight lines; a circle as 20 of them.

    Parameters
    ----------
    shape : str
        ``circle``, ``triangle``, ``square``, ``diamond``, ``down`` or ``cross``.
    x : float
        Centre, across [px].
    y : float
        Centre [px].
    size : float
        Half width [px].

    Returns
    -------
    list of list of tuple
        Polylines; all but the cross are to be closed.
    """
    s = size
    if shape == "circle":
        return [[(x + s * math.cos(a * math.pi / 10), y + s * math.sin(a * math.pi / 10)) for a in range(20)]]
    if shape == "triangle":
        return [[(x, y - 1.2 * s), (x + 1.1 * s, y + 0.8 * s), (x - 1.1 * s, y + 0.8 * s)]]
    if shape == "down":
        return [[(x, y + 1.2 * s), (x + 1.1 * s, y - 0.8 * s), (x - 1.1 * s, y - 0.8 * s)]]
    if shape == "square":
        q = 0.88 * s
        return [[(x - q, y - q), (x + q, y - q), (x + q, y + q), (x - q, y + q)]]
    if shape == "diamond":
        return [[(x, y - 1.25 * s), (x + 1.1 * s, y), (x, y + 1.25 * s), (x - 1.1 * s, y)]]
    return [[(x - s, y - s), (x + s, y + s)], [(x - s, y + s), (x + s, y - s)]]


def _escape(text: str) -> str:
    return escape_markup(printable(text))


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _paint(kind: str, role: str, standalone: bool) -> str:
    return f'{kind}="{ROLES[role][0]}"' if standalone else f'class="{kind[0]}-{role}"'


def _shape(shape: Shape, standalone: bool) -> str:
    if isinstance(shape, Stroke):
        return _stroke(shape, standalone)
    return _label(shape, standalone) if isinstance(shape, Label) else _marker(shape, standalone)


def _stroke(stroke: Stroke, standalone: bool) -> str:
    path = "M" + " L".join(f"{_n(x)} {_n(y)}" for x, y in stroke.points)
    dash = f' stroke-dasharray="{" ".join(_n(d) for d in stroke.dash)}"' if stroke.dash else ""
    faint = ' opacity="0.55"' if stroke.faint else ""
    if standalone:
        fill = f'fill="{ROLES[stroke.fill][0]}"' if stroke.fill else 'fill="none"'
        paint = f'{fill} stroke="{ROLES[stroke.role][0]}"'
    else:
        paint = f'class="s-{stroke.role}{f" f-{stroke.fill}" if stroke.fill else ""}"' + (
            "" if stroke.fill else ' fill="none"'
        )
    return f'<path d="{path}" {paint} stroke-width="{_n(stroke.width)}"{dash}{faint}/>'


def _label(label: Label, standalone: bool) -> str:
    turn = f' transform="rotate({_n(-label.turn)} {_n(label.x)} {_n(label.y)})"' if label.turn else ""
    anchor = "" if label.anchor == "start" else f' text-anchor="{label.anchor}"'
    bold = ' font-weight="600"' if label.bold else ""
    text = (
        f'<text x="{_n(label.x)}" y="{_n(label.y)}" font-size="{_n(label.size)}"{anchor}{bold}{turn} '
        f"{_paint('fill', label.role, standalone)}>{_escape(label.text)}</text>"
    )
    return _linked(text, label.link, label.text, standalone)


def _marker(marker: Marker, standalone: bool) -> str:
    path = marker_path(marker.shape, marker.x, marker.y, marker.size)
    inside = "paper" if marker.hollow else marker.role
    if standalone:
        fill = "none" if marker.shape == "cross" else ROLES[inside][0]
        paint = f'fill="{fill}" stroke="{ROLES[marker.role][0]}"'
    else:
        fill = "" if marker.shape == "cross" else f" f-{inside}"
        paint = f'class="s-{marker.role}{fill}"' + (' fill="none"' if marker.shape == "cross" else "")
    description = f"<title>{_escape(marker.description)}</title>" if marker.description else ""
    return _linked(
        f'<path d="{path}" {paint} stroke-width="1.4">{description}</path>', marker.link, marker.description, standalone
    )


def _linked(text: str, link: str, name: str, standalone: bool) -> str:
    if not link or standalone:
        return text
    return f'<a href="#{_escape(link)}" aria-label="{_escape(name or link)}">{text}</a>'
