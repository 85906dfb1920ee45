"""Labels: make, print, retire, and the plain address that the plate carries."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils.http import urlencode
from django.utils.safestring import SafeString
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import NotFound
from valvecare.core.permits import may, may_anywhere
from valvecare.register.actions import make_label, retire_label
from valvecare.register.models import Label
from valvecare.register.reads import SOURCES, Target, label_of, live_labels, target_of
from valvecare.register.rules import LabelKind, label_code
from valvecare.web import clock
from valvecare.web.label_drawing import (
    DEFAULT_SIZE,
    SIZES,
    LabelSize,
    address_on_label,
    label_drawing,
)
from valvecare.web.menu import url_or_none
from valvecare.web.page_acts import new_key, run_once, see_other
from valvecare.web.pdf import is_installed, pdf_page

PAGE = 40
SHEET = 24
"""Labels on one sheet: the page stays small on a plant's network."""
SHEET_PAGE = "valvecare/register/label_sheet.html"


def _space(request: HttpRequest) -> str | None:
    return request.resolver_match.namespace if request.resolver_match else None


def _to(request: HttpRequest, name: str, *args: Any) -> str:
    return reverse(f"valvecare:{name}", args=args, current_app=_space(request))


def address_of(request: HttpRequest, code: str) -> str:
    """What the square says: the plain address of this label at this installation."""
    return address_on_label(request.build_absolute_uri(_to(request, "label", code)))


def _drawing(
    request: HttpRequest, label: Label, target: Target, size: LabelSize, key: str = "label"
) -> SafeString:
    return label_drawing(
        address=address_of(request, label.code),
        code=label.code,
        name=target.name,
        place=f"{target.site.code}, {target.kind.value}",
        size=size,
        key=key,
    )


def _size(request: HttpRequest) -> LabelSize:
    found = SIZES.get(request.GET.get("size", DEFAULT_SIZE))
    if found is None:
        raise Http404
    return found


def _whole(texts: list[str]) -> list[int]:
    return [int(text) for text in texts if text.isascii() and text.isdigit() and len(text) < 13]


def _kind(text: str) -> LabelKind:
    try:
        return LabelKind(text or LabelKind.VALVE.value)
    except ValueError as error:
        raise Http404 from error


@require_safe
@login_required
def labels(request: HttpRequest, words: str = "", status: int = 200) -> HttpResponse:
    """Valves, pumps, bins or kits with their labels: make what is missing, print a sheet."""
    user: Any = request.user
    kind = _kind(request.GET.get("kind", ""))
    source = SOURCES[kind]
    site, group = request.GET.get("site", ""), request.GET.get("group", "")
    page = Paginator(source.rows(user, site, group), PAGE).get_page(request.GET.get("page"))
    lines = [source.line(row) for row in page]
    kept = live_labels(kind, [line.id for line in lines])
    context = {
        "kind": kind,
        "kinds": list(LabelKind),
        "lines": [(line, kept.get(line.id)) for line in lines],
        "page": page,
        "site": site,
        "group": group,
        "sizes": SIZES.values(),
        "default_size": DEFAULT_SIZE,
        "may_make": may_anywhere(user, "make_label"),
        "key": new_key(),
        "words": words,
        "sheet": SHEET,
    }
    return render(request, "valvecare/register/labels.html", context, status=status)


def _seen(user: Any, kind: LabelKind, ids: list[int]) -> list[int]:
    """Those of the ids that the person may see and that are in use, in the order of the list."""
    rows = SOURCES[kind].rows(user, "", "").filter(pk__in=ids)
    return list(rows.values_list("pk", flat=True))


@require_POST
@login_required
def labels_print(request: HttpRequest) -> HttpResponse:
    """Make the labels the chosen things lack, if asked, and show the sheet to print."""
    kind = _kind(request.POST.get("kind", ""))
    chosen = list(dict.fromkeys(_whole(request.POST.getlist("thing"))))
    ids = _seen(request.user, kind, chosen) if len(chosen) <= SHEET else []
    back = f"{_to(request, 'labels')}?{urlencode({'kind': kind.value})}"
    if not ids:
        return see_other(f"{back}&{urlencode({'refused': 'choose'})}")
    if "make" in request.POST:
        missing = [pk for pk in ids if pk not in live_labels(kind, ids)]

        def make() -> None:
            for pk in missing:
                make_label(kind, pk, actor=request.user, at=clock.now())

        problem = run_once(request, request.POST.get("idempotency_key", "")[:80], make)
        if problem:
            return _refused(request, problem)
    kept = live_labels(kind, ids)
    if not kept:
        return see_other(f"{back}&{urlencode({'refused': 'no label'})}")
    query = [("label", str(kept[pk].pk)) for pk in ids if pk in kept]
    query.append(("size", request.POST.get("size", DEFAULT_SIZE)))
    return see_other(f"{_to(request, 'labels-sheet')}?{urlencode(query)}")


def _refused(request: HttpRequest, words: str, status: int = 409) -> HttpResponse:
    context = {"words": words, "back": _to(request, "labels")}
    return render(request, "valvecare/register/label_refused.html", context, status=status)


def _sheet(request: HttpRequest) -> dict[str, Any]:
    """The chosen labels that the person may see, drawn in the chosen size."""
    size = _size(request)
    ids = _whole(request.GET.getlist("label"))[:SHEET]
    rows = Label.objects.for_user(request.user).filter(pk__in=ids, retired_at=None)
    drawings = []
    for label in rows.order_by("site__code", "id"):
        try:
            target = target_of(request.user, LabelKind(label.kind), label.target_id)
        except NotFound:
            continue
        drawings.append(_drawing(request, label, target, size, f"label-{label.pk}"))
    if ids and not drawings:
        raise Http404
    return {
        "drawings": drawings,
        "size": size,
        "sizes": SIZES.values(),
        "ids": [label.pk for label in rows],
        "layout": "roll" if request.GET.get("layout") == "roll" else "sheet",
    }


@require_safe
@login_required
def labels_sheet(request: HttpRequest) -> HttpResponse:
    """Labels at their true size: on a sheet of A4, or one a page for a roll."""
    context = _sheet(request)
    pdf = f"{_to(request, 'labels-pdf')}?{request.GET.urlencode()}" if is_installed() else ""
    return render(request, SHEET_PAGE, context | {"pdf_url": pdf})


@require_safe
@login_required
def labels_pdf(request: HttpRequest) -> HttpResponse:
    """The same sheet or roll as a file."""
    context = _sheet(request)
    if not context["drawings"]:
        raise Http404
    return pdf_page(request, SHEET_PAGE, context, name=f"labels-{context['size'].name}")


def _target(request: HttpRequest, kind: str, pk: int) -> Target:
    try:
        return target_of(request.user, LabelKind(kind), pk)
    except (NotFound, ValueError) as error:
        raise Http404 from error


def _one(request: HttpRequest, target: Target, words: str = "", status: int = 200) -> HttpResponse:
    rows = list(
        Label.objects.for_user(request.user)
        .filter(kind=target.kind.value, target_id=target.id)
        .select_related("made_by")
        .order_by("-id")
    )
    live = next((row for row in rows if not row.is_retired), None)
    context = {
        "target": target,
        "live": live,
        "old": [row for row in rows if row.is_retired],
        "drawings": [
            (size, _drawing(request, live, target, size, f"label-{size.name}"))
            for size in SIZES.values()
        ]
        if live
        else [],
        "address": address_of(request, live.code) if live else "",
        "page_url": url_or_none(request, f"valvecare:{target.url_name}", *target.args)
        if target.url_name
        else None,
        "may_make": may(request.user, "make_label", target.site.pk),
        "key": new_key(),
        "words": words,
    }
    return render(request, "valvecare/register/label.html", context, status=status)


@require_safe
@login_required
def label_of_thing(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """The label of one thing: as it is printed, who made it, the retired ones."""
    return _one(request, _target(request, kind, pk))


@require_POST
@login_required
def label_make(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    target = _target(request, kind, pk)
    problem = run_once(
        request,
        request.POST.get("idempotency_key", "")[:80],
        lambda: make_label(target.kind, pk, actor=request.user, at=clock.now()),
    )
    if problem:
        return _one(request, target, problem, 409)
    return see_other(_to(request, "label-of", kind, pk))


@require_POST
@login_required
def label_retire(request: HttpRequest, pk: int) -> HttpResponse:
    label = Label.objects.for_user(request.user).filter(pk=pk).first()
    if label is None:
        raise Http404
    target = _target(request, label.kind, label.target_id)
    version = _whole([request.POST.get("version", "")])
    problem = run_once(
        request,
        request.POST.get("idempotency_key", "")[:80],
        lambda: retire_label(
            pk,
            version=version[0] if version else 0,
            actor=request.user,
            at=clock.now(),
            reason=request.POST.get("reason", "")[:300],
        ),
    )
    if problem:
        return _one(request, target, problem, 409)
    return see_other(_to(request, "label-of", label.kind, label.target_id))


@require_safe
@login_required
def label_svg(request: HttpRequest, code: str) -> HttpResponse:
    """The label as a file for a label printer's own program."""
    label, target = _label(request, code)
    size = _size(request)
    response = HttpResponse(
        _drawing(request, label, target, size), content_type="image/svg+xml; charset=utf-8"
    )
    response["Content-Disposition"] = f'attachment; filename="label-{label.code}-{size.name}.svg"'
    return response


def _label(request: HttpRequest, text: str) -> tuple[Label, Target]:
    code = label_code(text)
    try:
        if code is None:
            raise Http404
        return label_of(request.user, code)
    except NotFound as error:
        raise Http404 from error


@require_safe
@login_required
def label(request: HttpRequest, code: str) -> HttpResponse:
    """Where a scanned plate leads: the page of its thing. A retired one is answered 410."""
    found, target = _label(request, code)
    if found.is_retired:
        context = {"label": found, "target": target}
        return render(request, "valvecare/register/label_gone.html", context, status=410)
    url = (
        url_or_none(request, f"valvecare:{target.url_name}", *target.args)
        if target.url_name
        else None
    )
    return see_other(url or _to(request, "label-of", target.kind.value, target.id))


urls = [
    # upper case: the whole address then fits the alphanumeric set of the square code
    path("L/<str:code>/", label, name="label"),
    path("l/<str:code>/", label, name="label-lower-case"),
    path("L/<str:code>/label.svg", label_svg, name="label-svg"),
    path("labels/", labels, name="labels"),
    path("labels/print/", labels_print, name="labels-print"),
    path("labels/sheet/", labels_sheet, name="labels-sheet"),
    path("labels/sheet.pdf", labels_pdf, name="labels-pdf"),
    path("labels/<int:pk>/retire/", label_retire, name="label-retire"),
    path("labels/<str:kind>/<int:pk>/", label_of_thing, name="label-of"),
    path("labels/<str:kind>/<int:pk>/make/", label_make, name="label-make"),
]
