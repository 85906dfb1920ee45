"""Import the register from a file: dry run or for good, all or nothing or the good rows only.

Set-based: a handful of queries per kind, history rows in bulk, one event per site and import.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from itertools import chain
from pathlib import PurePath
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from simple_history.utils import bulk_create_with_history, bulk_update_with_history

from valvecare.core.errors import Reason, Refused
from valvecare.core.events import record
from valvecare.register import rules
from valvecare.register.actions.import_columns import COLUMNS, decimal_mark
from valvecare.register.actions.import_plan import Plan, Planned, Planner
from valvecare.register.actions.import_rows import ImportResult, KindCount, RowChange, shown
from valvecare.register.actions.import_sheets import read_sheets
from valvecare.register.actions.pumps import UNKNOWN
from valvecare.register.models import (
    CurvePoint,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import SheetKind as Kind
from valvecare.register.rules import ValveStatus

MODELS = {
    Kind.SITES: Site,
    Kind.GROUPS: PumpGroup,
    Kind.DESIGNS: ValveDesign,
    Kind.PUMPS: Pump,
    Kind.VALVES: ProtectionValve,
}
BATCH = 500
NAMES_IN_EVENT = 200


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        return f"{len(value)} points"
    return shown(value)


def _result(plan: Plan, *, dry_run: bool, written: bool) -> ImportResult:
    curves = {id(one) for one, _ in plan.curves.values()}
    counts = []
    for kind in Kind:
        if kind not in plan.rows:
            continue
        found = plan.planned.get(kind, [])
        if kind is Kind.PUMPS:
            found = [one for one in found if set(one.moved) != {"curve"} or one.is_new]
        added = sum(one.is_new for one in found)
        changed = len(found) - added
        if kind is Kind.CURVE_POINTS:
            added, changed = 0, sum(len(points) for _, points in plan.curves.values())
        refused = len(plan.bad_rows.get(kind, ()))
        unchanged = plan.unchanged.get(kind, 0)
        counts.append(KindCount(kind.value, plan.rows[kind], added, changed, unchanged, refused))
    changes = tuple(
        RowChange(
            "curve points" if set(one.moved) == {"curve"} and id(one) in curves else one.kind.value,
            one.row,
            str(one.obj),
            one.is_new,
            tuple((name, _shown(was), _shown(now)) for name, (was, now) in one.moved.items()),
        )
        for one in chain.from_iterable(plan.planned.values())
    )
    return ImportResult(
        tuple(counts), tuple(plan.errors), changes, plan.fingerprint(), dry_run, written
    )


def _write(plan: Plan, actor: Any, at: datetime, reason: str, correction: bool) -> None:
    history = {"default_user": actor, "default_change_reason": reason[:100], "default_date": at}
    for kind, model in MODELS.items():
        found = plan.planned.get(kind, [])
        if kind is Kind.PUMPS:
            _mark_hydraulics(found, at, reason, correction)
        if kind is Kind.VALVES and not correction:
            _mark_placed(found, at)
        _update(model, [one for one in found if not one.is_new], history)
        new = [one.obj for one in found if one.is_new]
        if new:
            bulk_create_with_history(new, model, batch_size=BATCH, **history)
        if kind is Kind.PUMPS:
            _write_curves(plan)


def _update(model: Any, found: Sequence[Planned], history: Mapping[str, Any]) -> None:
    """Valves that leave service first, so that a pump never has two at any moment."""
    leaving = [
        one
        for one in found
        if model is ProtectionValve and one.obj.status != ValveStatus.IN_SERVICE.value
    ]
    taken = {id(one) for one in leaving}
    for part in (leaving, [one for one in found if id(one) not in taken]):
        if not part:
            continue
        names = {name for one in part for name in one.moved if name != "curve"}
        if model is Pump:
            names |= {"hydraulics_changed_on", "hydraulics_change"}
        if model is ProtectionValve:
            names |= {"placed_at"}
        for one in part:
            one.obj.version += 1
        bulk_update_with_history(
            [one.obj for one in part],
            model,
            sorted(names | {"version"}),
            batch_size=BATCH,
            **history,
        )


def _mark_hydraulics(found: Sequence[Planned], at: datetime, reason: str, correction: bool) -> None:
    days: dict[str, date] = {}
    for one in found:
        hydraulic = [] if one.is_new else rules.hydraulics_moved(one.moved, UNKNOWN)
        if hydraulic and not correction:
            zone = one.obj.group.site.time_zone
            days.setdefault(zone, at.astimezone(ZoneInfo(zone)).date())
            one.obj.hydraulics_changed_on = days[zone]
            one.obj.hydraulics_change = f"{', '.join(hydraulic)}: {reason}"[:200]


def _mark_placed(found: Sequence[Planned], at: datetime) -> None:
    for one in found:
        status_was, status = one.moved.get("status", (one.obj.status, one.obj.status))
        if not one.is_new and rules.is_placed_anew(
            pump_moves="pump" in one.moved, status=status, status_was=status_was
        ):
            one.obj.placed_at = at


def _write_curves(plan: Plan) -> None:
    pumps = [one.obj for one, _ in plan.curves.values()]
    CurvePoint.objects.filter(pump__in=[pump.pk for pump in pumps]).delete()
    CurvePoint.objects.bulk_create(
        (
            CurvePoint(pump=one.obj, flow_m3_per_h=flow, head_m=head, shaft_power_kw=power)
            for one, points in plan.curves.values()
            for flow, head, power in points
        ),
        batch_size=BATCH,
    )


def _site_of(one: Planned) -> Any:
    return None if one.kind is Kind.DESIGNS else one.obj.site_of()


def _tell(plan: Plan, actor: Any, at: datetime, reason: str, name: str, digest: str) -> None:
    """One event per site: counts, names (capped), and the digest of the file."""
    by_site: dict[Any, list[Planned]] = {}
    for one in chain.from_iterable(plan.planned.values()):
        by_site.setdefault(_site_of(one), []).append(one)
    for site, found in by_site.items():
        counts: dict[str, dict[str, int]] = {}
        for one in found:
            held = counts.setdefault(one.kind.value, {"added": 0, "changed": 0})
            held["added" if one.is_new else "changed"] += 1
        data = {
            "file": name[:200],
            "sha256": digest,
            "reason": reason,
            "counts": counts,
            "names": [str(one.obj) for one in found[:NAMES_IN_EVENT]],
            "rows": len(found),
        }
        words = f"Register imported: {_spoken(counts)}."
        subject = site if site is not None else found[0].obj
        record("register.imported", subject, actor=actor, at=at, words=words, data=data, site=site)


def _spoken(counts: Mapping[str, Mapping[str, int]]) -> str:
    return "; ".join(
        f"{kind} {held['added']} added, {held['changed']} changed" for kind, held in counts.items()
    )


def _plan(sheets: Iterable[Any], planner: Planner) -> Plan:
    sheets = list(sheets)
    planner.load(sheets)
    for sheet in sheets:
        planner.read(sheet)
    return planner.finish()


def import_register(
    data: bytes,
    name: str,
    *,
    actor: Any,
    at: datetime,
    kind: str | Kind | None = None,
    locale: str = "en",
    dry_run: bool = False,
    good_rows_only: bool = False,
    correction: bool = False,
    reason: str = "",
    confirm: str = "",
) -> ImportResult:
    """Import a CSV or XLSX file of the register.

    Every error is found in one go, each a sentence with row, column and value. With errors
    nothing is written unless `good_rows_only`. Rows that change nothing are counted, not written.
    `confirm` is the fingerprint of a dry run: when the plan has become another one since, the
    import is refused. A change of a pump's hydraulics needs `reason`; `correction` as in
    `change_pump`.

    Raises `Refused` when the file cannot be read at all, or the confirmed plan has changed.
    """
    mark = decimal_mark(locale)
    which = Kind(kind) if kind else None
    sheets = read_sheets(data, name, COLUMNS, which)
    if dry_run:
        planner = Planner(actor, mark, lock=False, reason=reason)
        return _result(_plan(sheets, planner), dry_run=True, written=False)
    name = PurePath(name).name
    told = reason.strip() or f"import of {name}"
    try:
        with transaction.atomic():
            plan = _plan(sheets, Planner(actor, mark, lock=True, reason=reason))
            if confirm and plan.fingerprint() != confirm:
                raise Refused(
                    Reason(
                        "plan_changed",
                        "The register has changed since the preview.",
                        "Look at the new preview and confirm that.",
                    )
                )
            if plan.errors and not good_rows_only:
                return _result(plan, dry_run=False, written=False)
            _write(plan, actor, at, told, correction)
            _tell(plan, actor, at, told, name, hashlib.sha256(data).hexdigest())
            return _result(plan, dry_run=False, written=any(plan.planned.values()))
    except IntegrityError:
        raise Refused(
            Reason(
                "database_refused",
                "The rows contradict each other or what somebody wrote meanwhile; nothing was "
                "written.",
                "Run the preview again.",
            )
        ) from None
