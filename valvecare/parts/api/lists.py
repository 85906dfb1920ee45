"""What is read: catalogue, stock, ledger, what is kept, what fits, what will be asked."""

from collections.abc import Callable
from typing import Any

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.permits import require_anywhere
from valvecare.parts.api import keeping, shapes
from valvecare.parts.models import (
    Bin,
    Kit,
    PartNumber,
    PartsPolicy,
    Purchase,
    Store,
    Supersession,
)
from valvecare.parts.reads import (
    count_sheet,
    horizon_on,
    in_view,
    kit_check,
    kit_page,
    kits_of,
    lives_of,
    lot_line,
    movement_line,
    movement_rows,
    needs,
    proposals,
    reservation_line,
    reservation_rows,
    seen,
    stock_rows,
)
from valvecare.register.models import ProtectionValve
from valvecare.register.rules import Scope
from valvecare.web.concurrency import etag_headers
from valvecare.web.filters import refuse_unknown
from valvecare.web.pagination import keyset_page
from valvecare.web.views import Endpoint

PAGING = [
    OpenApiParameter("cursor", str, description="From `next`; opaque."),
    OpenApiParameter("page_size", int, description="1 to 200, else 100."),
]


class PartsRead(Endpoint):
    """Open to tokens that may read parts."""

    required_scopes = {"GET": [Scope.PARTS_READ.value]}  # noqa: RUF012 read only


def query(request: Request, shape: Any) -> dict[str, Any]:
    """The query parameters, by their closed shape."""
    bound = shape(data=request.query_params)
    refuse_unknown(request, bound.fields)
    bound.is_valid(raise_exception=True)
    found: dict[str, Any] = bound.validated_data
    return found


def paged(
    request: Request, rows: Any, order: tuple[str, ...], out: Callable[[Any], Any]
) -> Response:
    page = keyset_page(rows, request, order=order)
    body = {"results": [out(row) for row in page.rows], "next": page.next_url}
    return Response(body, headers=page.headers)


def part_out(row: PartNumber) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "code": row.code,
        "name": row.name,
        "place": row.place,
        "unit": row.unit,
        "material": row.material,
        "is_consumable": row.is_consumable,
        "has_serial": row.has_serial,
        "shelf_life_months": row.shelf_life_months,
        "lead_weeks": row.lead_weeks,
        "superseded_by": [one.new.code for one in row.superseded_by.all()],
        "retired_at": row.retired_at,
    }


def kit_row(row: Kit) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "name": row.name,
        "design": str(row.design),
        "use": row.use,
        "media": row.media,
        "lead_weeks": row.lead_weeks,
        "express_weeks": row.express_weeks,
        "retired_at": row.retired_at,
    }


def purchase_out(row: Purchase) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "site": row.site.code,
        "item": str(row.item),
        "quantity": row.quantity,
        "is_express": row.is_express,
        "order_id": row.order_id,
        "asked_on": row.asked_on,
        "arrives_on": row.arrives_on,
        "state": row.state,
        "words": row.words,
    }


class Parts(PartsRead):
    """Part numbers; the catalogue belongs to all sites."""

    @extend_schema(
        operation_id="part_numbers_list",
        summary="List part numbers",
        parameters=PAGING,
        responses={200: shapes.PartPage},
    )
    def get(self, request: Request) -> Response:
        require_anywhere(request.user, "view_parts")
        refuse_unknown(request, ())
        rows = PartNumber.objects.prefetch_related("superseded_by__new")
        return paged(request, rows, ("code",), part_out)


def store_out(row: Store) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "site": row.site.code,
        "name": row.name,
        "retired_at": row.retired_at,
    }


def bin_out(row: Bin) -> dict[str, Any]:
    return {
        "id": row.pk,
        "version": row.version,
        "store_id": row.store_id,
        "store": row.store.name,
        "site": row.store.site.code,
        "code": row.code,
        "retired_at": row.retired_at,
    }


def supersession_out(row: Supersession) -> dict[str, Any]:
    return {
        "id": row.pk,
        "old": row.old.code,
        "new": row.new.code,
        "is_both_ways": row.is_both_ways,
        "note": row.note,
    }


def policy_out(row: PartsPolicy) -> dict[str, Any]:
    return {
        "id": row.pk,
        "margin_days": row.margin_days,
        "stock_target": row.stock_target,
        "horizon_weeks": row.horizon_weeks,
        "source": row.source,
        "owner": row.owner,
        "valid_from": row.valid_from,
    }


class Stores(PartsRead):
    @extend_schema(
        operation_id="stores_list",
        summary="List stores, retired ones too",
        parameters=[shapes.SiteQuery, *PAGING],
        responses={200: keeping.StorePage},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.SiteQuery)
        rows = in_view(Store, request.user).select_related("site")
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        return paged(request, rows, ("id",), store_out)


class Bins(PartsRead):
    @extend_schema(
        operation_id="bins_list",
        summary="List bins, retired ones too",
        parameters=[shapes.SiteQuery, *PAGING],
        responses={200: keeping.BinPage},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.SiteQuery)
        rows = in_view(Bin, request.user).select_related("store__site")
        if "site" in wanted:
            rows = rows.filter(store__site__code=wanted["site"])
        return paged(request, rows, ("id",), bin_out)


class Supersessions(PartsRead):
    @extend_schema(
        operation_id="supersessions_list",
        summary="Which part number came after which",
        parameters=PAGING,
        responses={200: keeping.SupersessionPage},
    )
    def get(self, request: Request) -> Response:
        require_anywhere(request.user, "view_parts")
        refuse_unknown(request, ())
        rows = Supersession.objects.select_related("old", "new")
        return paged(request, rows, ("id",), supersession_out)


class Policies(PartsRead):
    @extend_schema(
        operation_id="parts_policies_list",
        summary="The owner's figures for the store; the latest in force counts",
        parameters=PAGING,
        responses={200: keeping.PartsPolicyPage},
    )
    def get(self, request: Request) -> Response:
        require_anywhere(request.user, "view_parts")
        refuse_unknown(request, ())
        return paged(request, PartsPolicy.objects.all(), ("valid_from", "id"), policy_out)


class Kits(PartsRead):
    """Kits; each for one design at one revision."""

    @extend_schema(
        operation_id="kits_list",
        summary="List kits",
        parameters=PAGING,
        responses={200: shapes.KitPageOut},
    )
    def get(self, request: Request) -> Response:
        require_anywhere(request.user, "view_parts")
        refuse_unknown(request, ())
        return paged(request, Kit.objects.select_related("design"), ("name",), kit_row)


class KitDetail(PartsRead):
    @extend_schema(
        operation_id="kits_retrieve",
        summary="One kit with its parts, lots and the valves it is checked against",
        parameters=[shapes.KitQuery],
        responses={200: shapes.KitOut},
    )
    def get(self, request: Request, kit_id: int) -> Response:
        on = query(request, shapes.KitQuery).get("on", self.now.date())
        page = kit_page(kit_id, request.user, self.now, on=on)
        return Response(page, headers=etag_headers(page))


class Stock(PartsRead):
    @extend_schema(
        operation_id="stock_list",
        summary="List lots: on hand, reserved, available, last day of use",
        parameters=[shapes.StockQuery, *PAGING],
        responses={200: shapes.StockPage},
        examples=[
            OpenApiExample(
                "one lot",
                response_only=True,
                value={
                    "results": [
                        {
                            "id": 4,
                            "version": 1,
                            "site": "NH",
                            "kit_id": 4,
                            "part_id": None,
                            "item": "BIR40-65-soft",
                            "name": "kit",
                            "store": "NH store",
                            "bin": "A-04",
                            "lot": "L1950",
                            "shelf_until": "2026-05-31",
                            "certificate": "",
                            "on_hand": 1,
                            "reserved": 0,
                            "available": 1,
                            "state": "expiring",
                            "quarantine_why": "",
                            "missing": [],
                        }
                    ],
                    "next": None,
                },
            )
        ],
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.StockQuery)
        rows = stock_rows(
            request.user,
            site=wanted.get("site", ""),
            item=wanted.get("item", ""),
            empty_too=wanted.get("empty") == "true",
        )
        now = self.now
        horizon = horizon_on(now.date())
        return paged(request, rows, ("id",), lambda lot: lot_line(lot, now, horizon))


class Ledger(PartsRead):
    @extend_schema(
        operation_id="movements_list",
        summary="The ledger: every change of a quantity, oldest first",
        parameters=[shapes.LedgerQuery, *PAGING],
        responses={200: shapes.LedgerPage},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.LedgerQuery)
        rows = movement_rows(request.user, lot_id=wanted.get("lot"), order_id=wanted.get("order"))
        return paged(request, rows, ("id",), movement_line)


class Reservations(PartsRead):
    @extend_schema(
        operation_id="reservations_list",
        summary="What is kept for which order",
        parameters=[shapes.KeptQuery, *PAGING],
        responses={200: shapes.KeptPage},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.KeptQuery)
        rows = reservation_rows(
            request.user, order_id=wanted.get("order"), state=wanted.get("state", "")
        )
        return paged(request, rows, ("id",), reservation_line)


class Purchases(PartsRead):
    @extend_schema(
        operation_id="purchases_list",
        summary="What was ordered, and when it arrives",
        parameters=[shapes.SiteQuery, *PAGING],
        responses={200: shapes.PurchasePage},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.SiteQuery)
        rows = in_view(Purchase, request.user).select_related("site", "kit", "part")
        if "site" in wanted:
            rows = rows.filter(site__code=wanted["site"])
        return paged(request, rows, ("arrives_on", "id"), purchase_out)


class KitCheckOfValve(PartsRead):
    @extend_schema(
        operation_id="valves_kit_check",
        summary="Does a kit fit this valve on that day, and is there one?",
        description="'fits', 'fits with note', 'does not fit' or 'unknown', with a reason per "
        "field: serial, design, revision, medium, supersession, and shelf life at the day of the "
        "job. 'unknown' blocks.",
        parameters=[shapes.KitCheckQuery],
        responses={200: shapes.KitChecks},
    )
    def get(self, request: Request, pk: int) -> Response:
        wanted = query(request, shapes.KitCheckQuery)
        related = ("design", "pump__group__site")
        valve = seen(ProtectionValve, pk, request.user, related=related)
        kits = kits_of(valve)
        if "kit" in wanted:
            kits = list(Kit.objects.filter(name=wanted["kit"]).select_related("design"))
        return Response({"results": kit_check(valve, kits, wanted["on"])})


class Demand(PartsRead):
    @extend_schema(
        operation_id="parts_demand",
        summary="What will be asked, what is short, and the ways out",
        parameters=[shapes.SiteQuery],
        responses={200: shapes.Needs},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.SiteQuery)
        return Response({"results": needs(request.user, self.now, site=wanted.get("site", ""))})


class StockProposals(PartsRead):
    @extend_schema(
        operation_id="parts_stock_proposals",
        summary="How many of each kit to keep, with everything it was worked out from",
        parameters=[shapes.SiteQuery],
        responses={200: shapes.Proposals},
    )
    def get(self, request: Request) -> Response:
        wanted = query(request, shapes.SiteQuery)
        rows = proposals(request.user, self.now, site=wanted.get("site", ""))
        return Response({"results": rows})


class FittedParts(PartsRead):
    @extend_schema(
        operation_id="valves_fitted_parts_list",
        summary="The parts of a valve and how long each has worked",
        responses={200: shapes.Lives},
    )
    def get(self, request: Request, pk: int) -> Response:
        refuse_unknown(request, ())
        related = ("pump__group__site",)
        valve = seen(ProtectionValve, pk, request.user, related=related)
        return Response({"results": lives_of(valve, self.now)})


class CountDetail(PartsRead):
    @extend_schema(
        operation_id="stock_counts_retrieve",
        summary="A count sheet; blind until it is counted",
        responses={200: shapes.CountOut},
    )
    def get(self, request: Request, count_id: int) -> Response:
        refuse_unknown(request, ())
        sheet = count_sheet(count_id, request.user)
        return Response(sheet, headers=etag_headers(sheet))
