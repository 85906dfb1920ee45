"""What a phone needs to go on without a connection: the whole order, its own list, photographs."""

from django.contrib.auth.decorators import login_required
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import Forbidden, NotFound
from valvecare.core.pictures import media_root
from valvecare.web import clock
from valvecare.work.actions.bring_back import bring_back
from valvecare.work.actions.hear_phone import hear_phone
from valvecare.work.actions.take_along import take_along
from valvecare.work.models import Photo
from valvecare.work.pages.order import card_or_404, wants_json
from valvecare.work.pages.panels import panels_left


@require_safe
@login_required
def on_this_phone(request: HttpRequest) -> HttpResponse:
    """The list of entries that are still on this phone; the phone fills it itself."""
    return render(request, "valvecare/work/on_this_phone.html")


@require_safe
@login_required
def whole(request: HttpRequest, pk: int) -> HttpResponse:
    """Every step of the order from here to the close on one page, to take along."""
    card = card_or_404(request, pk)
    context = {
        "card": card,
        "panels": panels_left(card, request),
        "is_out": any(line.by == request.user.get_username() for line in card.out_with),
    }
    return render(request, "valvecare/work/whole.html", context)


@require_safe
@login_required
def session(request: HttpRequest) -> JsonResponse:
    """Who is signed in and a fresh token, asked before the phone sends what it keeps.

    `out`: ids of the orders this phone took along, so that the planner sees it was heard.
    """
    asked = request.GET.get("out", "")[:500].split(",")
    out = [int(word) for word in asked if word.isascii() and word.isdigit() and len(word) < 18]
    if out:
        hear_phone(out, actor=request.user, at=clock.now())
    return JsonResponse(
        {"user": request.user.pk, "name": request.user.get_username(), "csrf": get_token(request)}
    )


def _done(request: HttpRequest, pk: int) -> HttpResponse:
    if wants_json(request):
        return JsonResponse({"outcome": "accepted"})
    namespace = request.resolver_match.namespace if request.resolver_match else None
    return redirect(reverse("valvecare:order-whole", args=[pk], current_app=namespace))


@require_POST
@login_required
def take(request: HttpRequest, pk: int) -> HttpResponse:
    """Note for the planner that the order is out on a phone."""
    try:
        take_along(pk, actor=request.user, at=clock.now())
    except NotFound as error:
        raise Http404 from error
    except Forbidden as error:
        return render(request, "valvecare/error.html", {"detail": str(error)}, status=403)
    return _done(request, pk)


@require_POST
@login_required
def bring(request: HttpRequest, pk: int) -> HttpResponse:
    """The phone has nothing of the order left to send."""
    try:
        bring_back(pk, actor=request.user, at=clock.now())
    except NotFound as error:
        raise Http404 from error
    return _done(request, pk)


@require_safe
@login_required
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """One photograph, for members of its site only; never run or shown as a page of ours."""
    row = Photo.objects.for_user(request.user).filter(pk=pk).first()
    file = media_root() / row.file if row is not None else None
    if row is None or file is None or not file.is_file():
        raise Http404
    response = FileResponse(
        file.open("rb"),
        as_attachment=True,
        filename=f"photograph-{row.pk}.jpg",
        content_type="image/jpeg",
    )
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "sandbox; default-src 'none'"
    response["Cache-Control"] = "private, no-store"
    return response


urls = [
    path("at-the-valve/on-this-phone/", on_this_phone, name="on-this-phone"),
    path("at-the-valve/session/", session, name="phone-session"),
    path("at-the-valve/photos/<int:pk>/", photo, name="photo"),
    # before the verbs of an order, which take any word
    path("at-the-valve/work-orders/<int:pk>/whole/", whole, name="order-whole"),
    path("at-the-valve/work-orders/<int:pk>/taken-along/", take, name="order-taken-along"),
    path("at-the-valve/work-orders/<int:pk>/brought-back/", bring, name="order-brought-back"),
]
