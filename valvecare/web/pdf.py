"""A page of ours as a PDF, drawn from the same template as the page that a browser prints.

The library (WeasyPrint) is the extra `pdf`. It is loaded at the first use, it is given our own
style sheets as text, and it may open nothing: no network, no file, only `data:` addresses.
"""

import threading
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string

from valvecare.core.errors import Reason, Refused

FRAME: Final = "valvecare/paper.html"
"""What a page extends instead of the base: no menu, no scripts, no links to files."""
STYLES: Final = Path(__file__).parent.parent / "static" / "valvecare"
SVG: Final = "{http://www.w3.org/2000/svg}"
NOTHING: Final = "https://paper.invalid/"
"""Where relative addresses lead: RFC 2606 keeps this name from ever existing."""
_ONE_AT_A_TIME = threading.Lock()
"""A drawing takes about 100 MB for a moment, so a process makes one at a time."""


def is_installed() -> bool:
    return find_spec("weasyprint") is not None


def _why_not(words: str) -> Refused:
    return Refused(
        Reason(
            "pdf_not_installed",
            f"This installation makes no PDF: {words}.",
            "Print the page from the browser: it gives the same paper and can save it as a PDF. "
            'For PDF files here, install "valvecare[pdf]" and the Debian packages '
            "libpango-1.0-0, libpangoft2-1.0-0 and libharfbuzz-subset0.",
        )
    )


def _library() -> Any:
    if not is_installed():
        raise _why_not("the extra is not installed")
    try:
        return import_module("weasyprint")
    except OSError as error:
        raise _why_not("a library of the system is missing") from error


@cache
def _style(name: str) -> str:
    return (STYLES / name).read_text(encoding="utf-8")


def _dress(document: Any) -> None:
    """Put the style of the drawings inside each: the library looks for it nowhere else."""
    for drawing in document.iterfind(f".//figure//{SVG}svg"):
        style = drawing.makeelement(f"{SVG}style", {})
        style.text = _style("drawings-paper.css")
        drawing.insert(0, style)


def pdf_of(html: str) -> bytes:
    """The PDF of a whole HTML document in print styles.

    Parameters
    ----------
    html : the document; what it links to is not opened unless it is a `data:` address

    Returns
    -------
    bytes: the file, beginning with `%PDF-`.

    Raises
    ------
    Refused with `pdf_not_installed` without the library or what it needs of the system.
    """
    weasyprint = _library()
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher

    closed = URLFetcher(allowed_protocols=("data",), allow_redirects=False)
    with _ONE_AT_A_TIME:
        fonts = FontConfiguration()
        styles = [
            weasyprint.CSS(
                string=_style(name), base_url=NOTHING, url_fetcher=closed, font_config=fonts
            )
            for name in ("valvecare.css", "sheets.css")
        ]
        page = weasyprint.HTML(string=html, base_url=NOTHING, url_fetcher=closed)
        _dress(page.etree_element)
        return bytes(page.write_pdf(stylesheets=styles, font_config=fonts))


def pdf_page(
    request: HttpRequest, template: str, context: dict[str, Any], *, name: str
) -> HttpResponse:
    """The template on paper as a file to keep, or a page that says why not."""
    try:
        file = pdf_of(render_to_string(template, {**context, "frame": FRAME}, request))
    except Refused as refusal:
        [reason] = refusal.reasons
        told = {"title": "No PDF here", "detail": reason.words, "remedy": reason.remedy}
        return render(request, "valvecare/error.html", told, status=501)
    response = HttpResponse(file, content_type="application/pdf")
    response["Content-Disposition"] = f'attachment; filename="{name}.pdf"'
    response["X-Content-Type-Options"] = "nosniff"
    return response
