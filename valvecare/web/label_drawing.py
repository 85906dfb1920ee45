"""The label as an SVG in millimetres: the square code (ISO/IEC 18004) by segno, code and tag."""

from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit, urlunsplit

import segno
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

QUIET_ZONE: Final = 4  # modules, ISO/IEC 18004 (from memory)


@dataclass(frozen=True, slots=True)
class LabelSize:
    """A label's outside in mm; `square` is the side of the code with its quiet zone."""

    name: str
    width_mm: float
    height_mm: float
    square_mm: float

    @property
    def is_wide(self) -> bool:
        return self.width_mm > self.height_mm * 1.3


SIZES: Final = {
    size.name: size
    for size in (
        LabelSize("25x25", 25, 25, 19),
        LabelSize("40x20", 40, 20, 19),
        LabelSize("62x29", 62, 29, 27),
    )
}
DEFAULT_SIZE: Final = "62x29"


def address_on_label(url: str) -> str:
    """The address with scheme and host in upper case, which changes nothing about where it leads
    (RFC 3986, 6.2.2.1). With an upper-case path all of it is in the alphanumeric set of the code.

    >>> address_on_label("https://plant.example/L/7KQ39MXT/")
    'HTTPS://PLANT.EXAMPLE/L/7KQ39MXT/'
    >>> address_on_label("https://plant.example/care/L/7KQ39MXT/")
    'HTTPS://PLANT.EXAMPLE/care/L/7KQ39MXT/'
    """
    parts = urlsplit(url)
    return urlunsplit(parts._replace(scheme="")).replace(
        f"//{parts.netloc}", f"{parts.scheme.upper()}://{parts.netloc.upper()}", 1
    )


def square_code(text: str, *, side: str, x: str = "0", y: str = "0") -> SafeString:
    """The code alone as a nested drawing, black on white, quiet zone of four modules.

    Error level M at least; a higher one when it costs no larger code.
    """
    code = segno.make(text, error="m", micro=False)
    modules = code.symbol_size(border=QUIET_ZONE)[0]
    path = code.svg_inline(border=QUIET_ZONE, omitsize=True, svgclass=None, lineclass=None)
    inner = path[path.index(">") + 1 : path.rindex("</svg>")]
    return mark_safe(  # noqa: S308 numbers and the library's own path
        f'<svg x="{x}" y="{y}" width="{side}" height="{side}" viewBox="0 0 {modules} {modules}" '
        f'shape-rendering="crispEdges"><path fill="#fff" d="M0 0h{modules}v{modules}H0z"/>'
        f"{inner}</svg>"
    )


def _widest(letter: str) -> float:
    """Width in em at most, in bold (DejaVu Sans Bold, the widest of the usual ones, measured)."""
    if letter in "MWmw@%":
        return 1.11
    return 0.86 if letter.isupper() else 0.75


def _line(text: str, *, x: float, y: float, size: float, width: float, middle: bool) -> str:
    """A line of text, smaller where it could be wider than its place."""
    fit = min(size, width / max(sum(map(_widest, text)), 1.0))
    anchor = ' text-anchor="middle"' if middle else ""
    return f'<text x="{x:g}" y="{y:g}" font-size="{fit:.3g}"{anchor}>{escape(text)}</text>'


def label_drawing(
    *, address: str, code: str, name: str, place: str, size: LabelSize, key: str = "label"
) -> SafeString:
    """One label, drawn in millimetres.

    Parameters
    ----------
    address : what the square says, see `address_on_label`
    code, name, place : printed beside or below it; name is the tag
    size : one of `SIZES`
    key : unique on the page, for the accessible name

    Returns
    -------
    SafeString: an `<svg>` with its size in mm, black on white in any colour scheme.
    """
    width, height, square = size.width_mm, size.height_mm, size.square_mm
    spaced = f"{code[:4]} {code[4:]}"
    if size.is_wide:
        left = square + 1
        room = width - left - 1
        step = height / 4
        texts = (
            _line(name, x=left, y=step * 1.35, size=step * 0.8, width=room, middle=False)
            + _line(spaced, x=left, y=step * 2.35, size=step * 0.62, width=room, middle=False)
            + _line(place, x=left, y=step * 3.2, size=step * 0.42, width=room, middle=False)
        )
        at_x, at_y = 0.5, (height - square) / 2
    else:
        middle = width / 2
        texts = _line(
            name, x=middle, y=square + 1.6, size=2.7, width=width - 2, middle=True
        ) + _line(spaced, x=middle, y=square + 4.8, size=2.6, width=width - 2, middle=True)
        at_x, at_y = (width - square) / 2, -0.4
    picture = square_code(address, side=f"{square:g}", x=f"{at_x:g}", y=f"{at_y:g}")
    return mark_safe(  # noqa: S308 built from numbers and escaped words
        f'<svg xmlns="http://www.w3.org/2000/svg" class="label-drawing" role="img" '
        f'aria-labelledby="{escape(key)}-title" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}"><title id="{escape(key)}-title">'
        f"Label {escape(code)} of {escape(name)}</title>"
        f'<path fill="#fff" d="M0 0h{width:g}v{height:g}H0z"/>{picture}'
        f'<g fill="#000" font-family="sans-serif" font-weight="700">{texts}</g></svg>'
    )
