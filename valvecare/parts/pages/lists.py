"""What the storekeeper looks at: stock, what will be asked, kits, pick lists, what to keep."""

from datetime import date
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_POST, require_safe

from valvecare.core.errors import NotFound
from valvecare.core.permits import may_anywhere, sites_where
from valvecare.parts import actions
from valvecare.parts.models import Store
from valvecare.parts.pages import forms
from valvecare.parts.pages.acts import act, gone_to
from valvecare.parts.reads import (
    catalogue,
    find_lot,
    kit_page,
    labelled_place,
    needs,
    open_counts,
    pick_list,
    proposals,
    stock_list,
    windows_ahead,
)
from valvecare.parts.rules import LotState, NeedState, OfferKind
from valvecare.register.models import Site
from valvecare.web import clock


def may_look(request: HttpRequest) -> None:
    if not may_anywhere(request.user, "view_parts"):
        raise PermissionDenied


def _sites(user: Any) -> list[Site]:
    return list(Site.objects.filter(pk__in=sites_where(user, "view_parts")))


@require_safe
@login_required
def stock(request: HttpRequest) -> HttpResponse:
    """Every lot on hand, with what is kept of it and until when it may be used."""
    may_look(request)
    user = request.user
    state, site = request.GET.get("state", ""), request.GET.get("site", "")
    lines, totals = stock_list(user, clock.now(), site=site, state=state)
    may_change = may_anywhere(user, "change_parts")
    stores = Store.objects.filter(site__in=sites_where(user, "change_parts"))
    context = {
        "lines": lines,
        "tabs": [(word.value, totals[word.value]) for word in LotState if word.value in totals],
        "total": sum(totals.values()),
        "state": state,
        "site": site,
        "sites": _sites(user),
        "may_change": may_change,
        "counts": open_counts(user),
        "count_forms": [
            (store, forms.BeginCountForm(initial={"store_id": store.pk}))
            for store in (stores.select_related("site") if may_change else ())
        ],
    }
    return render(request, "valvecare/parts/stock.html", context)


@require_safe
@login_required
def find(request: HttpRequest) -> HttpResponse:
    """Go to the lot behind a scanned label or a typed code."""
    may_look(request)
    scanned = request.GET.get("q", "")
    place = labelled_place(scanned, request.user)
    if place is not None:
        return gone_to(request, place.url_name, *place.args)
    try:
        return gone_to(request, "lot", find_lot(scanned, request.user).pk)
    except NotFound as error:
        context = {"scanned": scanned, "error": str(error)}
        return render(request, "valvecare/parts/find.html", context, status=404)


@require_safe
@login_required
def asked(request: HttpRequest) -> HttpResponse:
    """What will be asked in the coming weeks, and what is short."""
    return _asked(request)


def _asked(request: HttpRequest, *, refusal: Any = None, status: int = 200) -> HttpResponse:
    may_look(request)
    user, now = request.user, clock.now()
    site, state = request.GET.get("site", ""), request.GET.get("state", "")
    found = needs(user, now, site=site)
    ids = {one.code: one.pk for one in _sites(user)}
    may_reserve = may_anywhere(user, "reserve_parts")
    may_order = may_anywhere(user, "change_parts")
    rows = []
    for need in found:
        if state and need.state != state:
            continue
        key = {"order_id": need.order_id, "kit_id": need.kit_id}
        reserve = None
        if need.state is NeedState.ON_SHELF and need.order_id and may_reserve:
            reserve = forms.ReserveForm(initial=key, auto_id=False)
        orders = []
        if need.is_short and may_order:
            for offer in need.offers:
                if offer.kind is not OfferKind.NEXT_WINDOW:
                    express = offer.kind is OfferKind.EXPRESS
                    initial = {**key, "site_id": ids[need.site], "is_express": express}
                    orders.append((offer, forms.PurchaseForm(initial=initial, auto_id=False)))
        rows.append((need, reserve, orders))
    totals = {word: sum(need.state is word for need in found) for word in NeedState}
    context = {
        "rows": rows,
        "tabs": [(word.value, count) for word, count in totals.items() if count],
        "total": len(found),
        "state": state,
        "site": site,
        "sites": _sites(user),
        "windows": windows_ahead(user, now),
        "refusal": refusal,
    }
    return render(request, "valvecare/parts/asked.html", context, status=status)


@require_POST
@login_required
def reserve(request: HttpRequest) -> HttpResponse:
    """Keep the kit of one line of the page 'What will be asked'."""
    form = forms.ReserveForm(request.POST)
    if not form.is_valid():
        return _asked(request, refusal=form, status=400)
    given = {**form.inputs(), "actor": request.user, "at": clock.now()}
    status = act(request, form, lambda: actions.reserve(**given))
    if status:
        return _asked(request, refusal=form, status=status)
    return gone_to(request, "parts-asked")


@require_POST
@login_required
def order(request: HttpRequest) -> HttpResponse:
    """Note that a kit that is short was ordered today."""
    form = forms.PurchaseForm(request.POST)
    if not form.is_valid():
        return _asked(request, refusal=form, status=400)
    given = {**form.inputs(), "actor": request.user, "at": clock.now()}
    status = act(request, form, lambda: actions.ask_for(**given))
    if status:
        return _asked(request, refusal=form, status=status)
    return gone_to(request, "parts-asked")


@require_safe
@login_required
def kits(request: HttpRequest) -> HttpResponse:
    """The catalogue: kits and part numbers."""
    may_look(request)
    listed, parts = catalogue(request.user)
    context = {"kits": listed, "parts": parts}
    return render(request, "valvecare/parts/kits.html", context)


@require_safe
@login_required
def kit(request: HttpRequest, pk: int) -> HttpResponse:
    """One kit: its parts, its lots, and the valves it is checked against."""
    may_look(request)
    now = clock.now()
    try:
        on = date.fromisoformat(request.GET.get("on", ""))
    except ValueError:
        on = now.date()
    try:
        page = kit_page(pk, request.user, now, on=on)
    except NotFound as error:
        raise Http404 from error
    return render(request, "valvecare/parts/kit.html", {"page": page})


@require_safe
@login_required
def picking(request: HttpRequest, pk: int) -> HttpResponse:
    """What is to be taken for a window; made for paper."""
    may_look(request)
    found = pick_list(pk, request.user, clock.now())
    if found is None:
        raise Http404
    return render(request, "valvecare/parts/pick_list.html", {"pick": found, "now": clock.now()})


@require_safe
@login_required
def keep(request: HttpRequest) -> HttpResponse:
    """How many of each kit to keep, with what that was worked out from."""
    may_look(request)
    site = request.GET.get("site", "")
    lines = proposals(request.user, clock.now(), site=site)
    context = {"lines": lines, "site": site, "sites": _sites(request.user)}
    return render(request, "valvecare/parts/keep.html", context)
