"""The web app manifest, so that a technician can put the pages on the phone's home screen.

A view and not a static file: its addresses depend on where a host mounts the app.
"""

from django.http import HttpRequest, JsonResponse
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe


@require_safe
@cache_control(max_age=3600)
def manifest(request: HttpRequest) -> JsonResponse:
    """W3C Web Application Manifest. Says nothing about the plant, so it needs no login."""
    current_app = request.resolver_match.namespace if request.resolver_match else None
    home = reverse("valvecare:protection", current_app=current_app)
    body = {
        "name": "valvecare",
        "short_name": "valvecare",
        "description": "Can each valve still protect its pump today, and until when?",
        "id": home,
        "start_url": home,
        "scope": home,
        "display": "standalone",
        "background_color": "#16292c",
        "theme_color": "#16292c",
        "icons": [
            {"src": static("valvecare/icon.svg"), "sizes": "any", "type": "image/svg+xml"},
            {"src": static("valvecare/icon-192.png"), "sizes": "192x192", "type": "image/png"},
            {"src": static("valvecare/icon-512.png"), "sizes": "512x512", "type": "image/png"},
            {
                "src": static("valvecare/icon-maskable-512.png"),
                "sizes": "512x512",
                "type": "image/png",
                "purpose": "maskable",
            },
        ],
    }
    return JsonResponse(body, content_type="application/manifest+json")
