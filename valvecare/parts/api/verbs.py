"""What is done: one endpoint per act, all made the same way: parse, one action, what it left."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.parts import actions
from valvecare.parts.api import keeping, shapes
from valvecare.parts.api.lists import (
    Bins,
    CountDetail,
    FittedParts,
    KitDetail,
    Kits,
    Parts,
    Policies,
    Purchases,
    Reservations,
    Stores,
    Supersessions,
    bin_out,
    kit_row,
    part_out,
    policy_out,
    purchase_out,
    store_out,
    supersession_out,
)
from valvecare.parts.models import Reservation
from valvecare.parts.reads import (
    count_sheet,
    horizon_on,
    lives_of,
    lot_line,
    reservation_line,
    reservation_rows,
    stock_rows,
)
from valvecare.register.rules import Scope
from valvecare.web.concurrency import etag_headers, version_from
from valvecare.web.idempotency import idempotent
from valvecare.web.views import Endpoint

IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key",
    str,
    OpenApiParameter.HEADER,
    description="A key of your own making; the same key repeats the first answer.",
)
IF_MATCH = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, required=True, description="The ETag you read."
)


@dataclass(frozen=True)
class Act:
    """One thing that can be done: its name, shape, action and what it answers."""

    operation: str
    summary: str
    shape: type[serializers.Serializer]
    act: Callable[..., Any]
    out: type[serializers.Serializer]
    show: Callable[[Any, Any, datetime], Any]
    id_name: str = ""
    """Name of the id in the address, and of the action's first argument."""
    renamed: dict[str, str] = field(default_factory=dict)
    is_versioned: bool = False
    is_for_people: bool = False
    """Needs a person's judgement or a second person: shut to tokens."""
    status: int = 200
    example: dict[str, Any] = field(default_factory=dict)


def _lot(lot: Any, user: Any, at: datetime) -> Any:
    row = stock_rows(user, empty_too=True).get(pk=lot.pk)
    return lot_line(row, at, horizon_on(at.date()))


def _lots(lots: Any, user: Any, at: datetime) -> Any:
    return {"results": [_lot(lot, user, at) for lot in lots]}


def _kept(row: Reservation, user: Any, at: datetime) -> Any:
    return reservation_line(reservation_rows(user).get(pk=row.pk))


def _part(row: Any, user: Any, at: datetime) -> Any:
    return part_out(row)


def _kit(row: Any, user: Any, at: datetime) -> Any:
    return kit_row(row)


def _store(row: Any, user: Any, at: datetime) -> Any:
    return store_out(row)


def _bin(row: Any, user: Any, at: datetime) -> Any:
    return bin_out(row)


def _supersession(row: Any, user: Any, at: datetime) -> Any:
    return supersession_out(row)


def _policy(row: Any, user: Any, at: datetime) -> Any:
    return policy_out(row)


def _change_part(part_id: int, *, version: int, actor: Any, at: datetime, **given: Any) -> Any:
    reason = given.pop("reason", "")
    return actions.change_part(part_id, given, version=version, actor=actor, at=at, reason=reason)


def _change_kit(kit_id: int, *, version: int, actor: Any, at: datetime, **given: Any) -> Any:
    reason, lines = given.pop("reason", ""), given.pop("lines", None)
    return actions.change_kit(
        kit_id, given, version=version, actor=actor, at=at, lines=lines, reason=reason
    )


def _purchase(row: Any, user: Any, at: datetime) -> Any:
    return purchase_out(row)


def _count(row: Any, user: Any, at: datetime) -> Any:
    return count_sheet(row.pk, user)


def _life(row: Any, user: Any, at: datetime) -> Any:
    return next(life for life in lives_of(row.valve, at) if life.id == row.pk)


_ITEM = {"kit": "kit_id", "part": "part_id", "lot": "lot_id", "order": "order_id"}

ADD_PART = Act("part_numbers_add", "Add a part number", shapes.PartIn, actions.add_part,
               shapes.PartOut, _part, status=201,
               example={"code": "CED-SPR-B", "name": "closing spring", "place": "closing spring",
                        "has_serial": True})  # fmt: skip
ADD_KIT = Act("kits_add", "Add a kit for one design at its revision", shapes.KitIn, actions.add_kit,
              shapes.KitRow, _kit, renamed={"design": "design_id"}, status=201,
              example={"name": "CED100-100B-soft", "design": 7, "lines": {"CED-GSK": 1},
                       "media": ["water"]})  # fmt: skip
CHANGE_PART = Act("part_numbers_change", "Change a part number", keeping.PartChange, _change_part,
                  shapes.PartOut, _part, id_name="part_id", is_versioned=True,
                  example={"lead_weeks": 6, "reason": "as quoted"})  # fmt: skip
RETIRE_PART = Act("part_numbers_retire", "Retire a part number", keeping.RetireIn,
                  actions.retire_part, shapes.PartOut, _part, id_name="part_id",
                  is_versioned=True, example={"reason": "no longer made"})  # fmt: skip
CHANGE_KIT = Act("kits_change", "Change a kit, and what is in it", keeping.KitChange, _change_kit,
                 shapes.KitRow, _kit, id_name="kit_id", is_versioned=True,
                 example={"lines": {"CED-GSK": 1, "CED-ORG": 2}, "reason": "ring added"},
                 )  # fmt: skip
RETIRE_KIT = Act("kits_retire", "Retire a kit", keeping.RetireIn, actions.retire_kit, shapes.KitRow,
                 _kit, id_name="kit_id", is_versioned=True, example={"reason": "superseded"},
                 )  # fmt: skip
ADD_STORE = Act("stores_add", "Add a store with its bins", keeping.StoreIn, actions.add_store,
                keeping.StoreOut, _store, renamed={"site": "site_id"}, status=201,
                example={"site": 1, "name": "NH store", "bins": ["A-01", "A-02"]})  # fmt: skip
RENAME_STORE = Act("stores_rename", "Rename a store", keeping.StoreName, actions.rename_store,
                   keeping.StoreOut, _store, id_name="store_id", is_versioned=True,
                   example={"name": "main store"})  # fmt: skip
RETIRE_STORE = Act("stores_retire", "Retire a store without bins", keeping.RetireIn,
                   actions.retire_store, keeping.StoreOut, _store, id_name="store_id",
                   is_versioned=True, example={"reason": "moved"})  # fmt: skip
ADD_BIN = Act("bins_add", "Add a bin to a store", keeping.BinIn, actions.add_bin, keeping.BinOut,
              _bin, renamed={"store": "store_id"}, status=201,
              example={"store": 1, "code": "A-07"})  # fmt: skip
RENAME_BIN = Act("bins_rename", "Rename a bin", keeping.BinCode, actions.rename_bin, keeping.BinOut,
                 _bin, id_name="bin_id", is_versioned=True, example={"code": "A-08"})  # fmt: skip
RETIRE_BIN = Act("bins_retire", "Retire an empty bin", keeping.RetireIn, actions.retire_bin,
                 keeping.BinOut, _bin, id_name="bin_id", is_versioned=True,
                 example={"reason": "shelf taken down"})  # fmt: skip
SUPERSEDE = Act("supersessions_add", "Say that one part number came after another",
                keeping.SupersessionIn, actions.supersede, keeping.SupersessionOut, _supersession,
                status=201, example={"old": "CED-SPR-A", "new": "CED-SPR-B"})  # fmt: skip
WITHDRAW = Act("supersessions_withdraw", "Take a supersession back", shapes.WhyIn,
               actions.withdraw_supersession, keeping.SupersessionOut, _supersession,
               id_name="supersession_id", example={"why": "Entered the wrong way round."},
               )  # fmt: skip
SET_POLICY = Act("parts_policies_add", "Set the owner's figures for the store from a day on",
                 keeping.PartsPolicyIn, actions.set_parts_policy, keeping.PartsPolicyOut, _policy,
                 is_for_people=True, status=201,
                 example={"margin_days": 14, "stock_target": 0.95, "horizon_weeks": 8,
                          "source": "owner's letter (invented)", "owner": "reliability engineer",
                          "valid_from": "2026-06-01"})  # fmt: skip
RESERVE = Act("reservations_add", "Keep a kit, part or lot for an order", shapes.ReserveIn,
              actions.reserve, shapes.ReservationOut, _kept, renamed=_ITEM, status=201,
              example={"order": 123, "kit": 4})  # fmt: skip
ASK = Act("purchases_add", "Note that something was ordered", shapes.PurchaseIn, actions.ask_for,
          shapes.PurchaseOut, _purchase, renamed={**_ITEM, "site": "site_id"}, status=201,
          example={"site": 1, "kit": 12, "is_express": True, "order": 123})  # fmt: skip
FIT = Act("valves_fitted_parts_add", "Record that a part was fitted", shapes.FitIn,
          actions.fit_part, shapes.LifeOut, _life, id_name="valve_id", status=201,
          renamed={"part": "part_id", "lot": "lot_id"},
          is_for_people=True,
             example={"part": 3, "serial": "S-1", "fitted_at": "2026-05-04T10:00:00+02:00"},
          )  # fmt: skip
BEGIN_COUNT = Act("stock_counts_begin", "Begin a blind count of a store", shapes.CountIn,
                  actions.begin_count, shapes.CountOut, _count, renamed={"store": "store_id"},
                  status=201, is_for_people=True,
             example={"store": 1})  # fmt: skip
RECEIVE = Act("receipts_add", "Receive pieces after a receiving check", shapes.ReceiveIn,
              actions.receive, shapes.LotOut, _lot, status=201,
              renamed={"bin": "bin_id", "kit": "kit_id", "part": "part_id", "lot": "lot_code",
                       "purchase": "purchase_id"},
              example={"bin": 3, "kit": 12, "lot": "L2401", "quantity": 1,
                       "shelf_until": "2031-05-31", "is_accepted": True,
                       "checks": {"revision mark": "B", "free fall of the disc": "free"}},
              )  # fmt: skip

OF_LOT = {
    "issue": Act("lots_issue", "Hand pieces out for an order", shapes.IssueIn, actions.issue,
                 shapes.LotOut, _lot, id_name="lot_id", renamed={"order": "order_id"},
                 example={"order": 123, "quantity": 1}),
    "return": Act("lots_return", "Take back what was not used", shapes.ReturnIn,
                  actions.return_unused, shapes.LotOut, _lot, id_name="lot_id",
                  renamed={"order": "order_id"},
                  example={"order": 123, "is_whole": False, "missing": ["CED-SPR-B"]}),
    "scrap": Act("lots_scrap", "Throw pieces away", shapes.ScrapIn, actions.scrap, shapes.LotOut,
                 _lot, id_name="lot_id", example={"quantity": 1, "why": "Wet in the store."}),
    "quarantine": Act("lots_quarantine", "Put a lot into quarantine", shapes.WhyIn,
                      actions.quarantine, shapes.LotOut, _lot, id_name="lot_id",
                      is_versioned=True, example={"why": "Two kits with the same label."}),
    "free": Act("lots_free", "Free a lot from quarantine", shapes.WhyIn, actions.free,
                shapes.LotOut, _lot, id_name="lot_id", is_versioned=True,
                is_for_people=True,
             example={"why": "Measured: revision B."}),
    "break-up": Act("lots_break_up", "Make loose parts of kits that are not whole", shapes.WhyIn,
                    actions.break_up, shapes.LotsOut, _lots, id_name="lot_id", is_versioned=True,
                    is_for_people=True,
             example={"why": "The spring is gone."}),
}  # fmt: skip
RELEASE = Act("reservations_release", "Let go what is kept", shapes.WhyIn, actions.release,
              shapes.ReservationOut, _kept, id_name="reservation_id",
              example={"why": "The job moved to September."})  # fmt: skip
DROP_PURCHASE = Act("purchases_drop", "It will not come", shapes.WhyIn, actions.drop_purchase,
                    shapes.PurchaseOut, _purchase, id_name="purchase_id", is_versioned=True,
                    example={"why": "Supplier cannot deliver."})  # fmt: skip
REMOVE = Act("fitted_parts_remove", "Record that a part was taken out", shapes.RemoveIn,
             actions.remove_part, shapes.LifeOut, _life, id_name="fitted_id",
             is_for_people=True,
             example={"why": "Pitted.", "removed_at": "2026-05-04T10:00:00+02:00"})  # fmt: skip


def _enter(count_id: int, *, counted: dict[str, int], **more: Any) -> Any:
    given = {int(line): number for line, number in counted.items() if line.isdigit()}
    return actions.enter_count(count_id, given, **more)


OF_COUNT = {
    "enter": Act("stock_counts_enter", "Enter what was counted", shapes.CountedIn, _enter,
                 shapes.CountOut, _count, id_name="count_id", is_versioned=True,
                 is_for_people=True,
             example={"counted": {"1": 2}}),
    "approve": Act("stock_counts_approve", "Approve the differences as a second person",
                   shapes.WhyIn, actions.approve_count, shapes.CountOut, _count,
                   id_name="count_id", is_versioned=True, is_for_people=True,
             example={"why": "Taken at night."}),
    "reject": Act("stock_counts_reject", "Throw the count away", shapes.WhyIn,
                  actions.reject_count, shapes.CountOut, _count, id_name="count_id",
                  is_versioned=True, is_for_people=True,
             example={"why": "Counted in the dark."}),
}  # fmt: skip


def doing(act: Act, base: type[Endpoint] = Endpoint, *, method: str = "post") -> type[Endpoint]:
    """An endpoint class that does one act, beside what `base` reads on GET."""
    parameters = [IDEMPOTENCY_KEY, *([IF_MATCH] if act.is_versioned else [])]

    @extend_schema(
        operation_id=act.operation,
        summary=act.summary,
        parameters=parameters,
        request=act.shape,
        responses={act.status: act.out},
        examples=[OpenApiExample("example", request_only=True, value=act.example)],
    )
    def do(self: Endpoint, request: Request, **ids: int) -> Response:
        def effect() -> Response:
            shape = act.shape(data=request.data)
            shape.is_valid(raise_exception=True)
            given = {
                act.renamed.get(name, name): value for name, value in shape.validated_data.items()
            }
            if act.is_versioned:
                given["version"] = version_from(request)
            if act.id_name:
                given[act.id_name] = next(iter(ids.values()))
            left = act.act(**given, actor=request.user, at=self.now)
            body = act.show(left, request.user, self.now)
            headers = etag_headers(left) if hasattr(left, "version") else {}
            return Response(body, status=act.status, headers=headers)

        return idempotent(request, effect)

    name = "".join(word.title() for word in act.operation.split("_"))
    more: dict[str, Any] = {method: do, "__doc__": f"{act.summary}."}
    if not act.is_for_people:
        held = getattr(base, "required_scopes", None) or {}
        more["required_scopes"] = {**held, method.upper(): [Scope.PARTS_WRITE.value]}
    return type(name, (base,), more)


def posting(act: Act, base: type[Endpoint] = Endpoint) -> type[Endpoint]:
    """As `doing`, on POST."""
    return doing(act, base)


PartsEndpoint = posting(ADD_PART, Parts)
KitsEndpoint = posting(ADD_KIT, Kits)
ReservationsEndpoint = posting(RESERVE, Reservations)
PurchasesEndpoint = posting(ASK, Purchases)
FittedPartsEndpoint = posting(FIT, FittedParts)
CountsEndpoint = posting(BEGIN_COUNT)
CountEndpoint = CountDetail
StoresEndpoint = posting(ADD_STORE, Stores)
BinsEndpoint = posting(ADD_BIN, Bins)
SupersessionsEndpoint = posting(SUPERSEDE, Supersessions)
PoliciesEndpoint = posting(SET_POLICY, Policies)
KitEndpoint = doing(CHANGE_KIT, KitDetail, method="patch")
ReceiptsEndpoint = posting(RECEIVE)
