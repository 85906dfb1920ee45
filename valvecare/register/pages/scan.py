"""Scan a plate: by the camera where the browser can, by typing the code always."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.http import require_safe

from valvecare.core.errors import NotFound
from valvecare.register.reads import label_of
from valvecare.register.rules import label_code
from valvecare.web.page_acts import see_other


def _next(request: HttpRequest) -> str:
    """Where the code is wanted: an address of this installation, or empty."""
    url = request.GET.get("next", "")
    safe = url.startswith("/") and url_has_allowed_host_and_scheme(url, allowed_hosts=None)
    return url if safe and "?" not in url and "#" not in url else ""


@require_safe
@login_required
def scan(request: HttpRequest) -> HttpResponse:
    """A code that is known leads to its page, or back to the page that asked for it."""
    text = request.GET.get("code", "").strip()[:200]
    wanted_by = _next(request)
    words = ""
    if text:
        code = label_code(text)
        if wanted_by:
            return see_other(f"{wanted_by}?{urlencode({'code': code or text})}#next")
        space = request.resolver_match.namespace if request.resolver_match else None
        if code is None:
            found = reverse("valvecare:search", current_app=space)
            return see_other(f"{found}?{urlencode({'q': text})}")
        try:
            label_of(request.user, code)
        except NotFound:
            words = (
                f"No label you can see has the code {code}. Read it again, or search by the tag "
                "or serial number."
            )
        else:
            return see_other(reverse("valvecare:label", args=[code], current_app=space))
    context = {"text": text, "next": wanted_by, "words": words}
    response = render(
        request, "valvecare/register/scan.html", context, status=404 if words else 200
    )
    # read by the middleware of django-csp where it is installed: the reader is compiled code
    response._csp_update = {"script-src": ["'self'", "'wasm-unsafe-eval'"]}  # type: ignore[attr-defined]
    return response


urls = [path("scan/", scan, name="scan")]
