"""The service worker and the page it shows without a connection.

Views and not static files: a worker may only watch over addresses below its own, so it is served
from where the host mounts the app, and its version changes with the program and its files.
"""

import hashlib
import json
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

import valvecare

FILES = (
    "valvecare/valvecare.css",
    "valvecare/icon.svg",
    "valvecare/phone-store.js",
    "valvecare/phone-outbox.js",
    "valvecare/phone-page.js",
    "valvecare/test-limits.js",
)
"""What every page at the valve needs."""

WORKER = "valvecare/phone-worker.js"


def _read(name: str) -> bytes:
    found = finders.find(name)
    if not isinstance(found, str):
        raise FileNotFoundError(f"The static file {name} is missing from this installation.")
    with open(found, "rb") as file:
        return file.read()


def version() -> str:
    """The program's version and a hash over the files, so that a changed file is a new worker."""
    digest = hashlib.sha256(b"".join(_read(name) for name in (*FILES, WORKER))).hexdigest()
    return f"{valvecare.__version__}-{digest[:12]}"


@require_safe
@cache_control(no_cache=True)
def service_worker(request: HttpRequest) -> HttpResponse:
    """The worker's script with its settings before it. Says nothing about the plant: no login."""
    current_app = request.resolver_match.namespace if request.resolver_match else None
    home = reverse("valvecare:protection", current_app=current_app)
    told = {
        "version": version(),
        "offline": reverse("valvecare:offline", current_app=current_app),
        "files": [static(name) for name in FILES],
        # the pages a technician opens; nothing else is kept on a phone
        "kept": [
            reverse("valvecare:my-work", current_app=current_app),
            reverse("valvecare:valves", current_app=current_app),
        ],
        "never": [reverse("valvecare:phone-session", current_app=current_app)],
        "static": urlsplit(settings.STATIC_URL).path,
    }
    script = f"const SETTINGS = {json.dumps(told)};\n".encode() + _read(WORKER)
    response = HttpResponse(script, content_type="text/javascript; charset=utf-8")
    response["Service-Worker-Allowed"] = home
    return response


@require_safe
def offline(request: HttpRequest) -> HttpResponse:
    """Shown in place of a page that was never opened on this phone. The same for everybody."""
    return render(request, "valvecare/offline.html")
