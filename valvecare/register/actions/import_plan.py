"""Turn sheets into a plan: what is new, what changes, what stays, and everything that is wrong.

Nothing is written here. Rows refer to each other by natural keys; a record that another good row
of the same file adds can be referred to at once.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import available_timezones

from valvecare.core.models import NOT_KNOWN
from valvecare.core.permits import may_anywhere, sites_where
from valvecare.register import rules
from valvecare.register.actions.import_columns import COLUMNS
from valvecare.register.actions.import_rows import RowsRead, fingerprint_of, half
from valvecare.register.actions.import_sheets import Sheet
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


@dataclass
class Planned:
    """A row that will be written. `moved` names fields and their values before and after."""

    kind: Kind
    row: int
    obj: Any
    is_new: bool
    moved: dict[str, tuple[Any, Any]] = field(default_factory=dict)


@dataclass
class Plan(RowsRead):
    planned: dict[Kind, list[Planned]] = field(default_factory=dict)
    curves: dict[int, tuple[Planned, list[Any]]] = field(default_factory=dict)
    """By identity of the pump: its planned row and its new points."""

    def fingerprint(self) -> str:
        told = [
            f"{kind}|{one.row}|{one.is_new}|{sorted(one.moved.items())!r}"
            for kind, found in self.planned.items()
            for one in found
        ]
        told += [str(error) for error in self.errors]
        return fingerprint_of(told)


_MISSING = object()


class Planner:
    """Holds what the file may refer to while its sheets are read one after the other."""

    def __init__(self, actor: Any, mark: str, *, lock: bool, reason: str) -> None:
        self.actor, self.mark, self.lock, self.reason = actor, mark, lock, reason
        self.plan = Plan()
        self.sites = {site.code: site for site in Site.objects.for_user(actor)}
        self.may = {
            permit: {next(iter(row.values())) for row in sites_where(actor, permit)}
            for permit in ("change_register", "change_pump")
        }
        self.may_designs = may_anywhere(actor, "change_design")
        self.groups: dict[Any, PumpGroup] = {}
        self.pumps: dict[Any, Pump] = {}
        self.designs: dict[Any, ValveDesign] = {}
        self.valves: dict[Any, ProtectionValve] = {}
        self.planned: dict[int, Planned] = {}
        self.points: dict[int, list[Any]] = {}

    # what exists
    def _locked(self, rows: Any) -> Any:
        return rows.select_for_update(of=("self",)) if self.lock else rows

    def _codes(self, sheets: Iterable[Sheet]) -> set[str]:
        found = set()
        for sheet in sheets:
            if "site" in sheet.header:
                at = sheet.header.index("site")
                found |= {str(cells[at]).strip() for _, cells in sheet.rows}
        return found & set(self.sites)

    def load(self, sheets: Sequence[Sheet]) -> None:
        """Read what the sheets may change or refer to: one query per kind."""
        codes = self._codes(sheets)
        kinds = {sheet.kind for sheet in sheets}
        by_id = {site.pk: site for site in self.sites.values()}
        groups = {}
        for row in self._locked(PumpGroup.objects.filter(site__code__in=codes)):
            row.site = by_id[row.site_id]
            groups[row.pk] = self.groups[(row.site.code, row.code)] = row
        pumps = {}
        if kinds & {Kind.PUMPS, Kind.CURVE_POINTS, Kind.VALVES}:
            for row in self._locked(Pump.objects.filter(group__site__code__in=codes)):
                row.group = groups[row.group_id]
                pumps[row.pk] = self.pumps[(row.group.site.code, row.tag)] = row
        if Kind.CURVE_POINTS in kinds:
            here = CurvePoint.objects.filter(pump__group__site__code__in=codes)
            for pump_id, *point in here.order_by("pump_id", "flow_m3_per_h").values_list(
                "pump_id", "flow_m3_per_h", "head_m", "shaft_power_kw"
            ):
                self.points.setdefault(pump_id, []).append(tuple(point))
        designs = {}
        if kinds & {Kind.DESIGNS, Kind.VALVES}:
            for row in self._locked(ValveDesign.objects.all()):
                key = (row.code, row.variant, row.dn, row.revision)
                designs[row.pk] = self.designs[key] = row
        if Kind.VALVES in kinds:
            valves = ProtectionValve.objects.filter(pump__group__site__code__in=codes)
            for row in self._locked(valves):
                row.pump = pumps[row.pump_id]
                row.design = designs.get(row.design_id)
                self.valves[(row.pump.group.site.code, row.tag)] = row

    # one sheet
    def read(self, sheet: Sheet) -> None:
        """Plan every row of one sheet."""
        points: dict[Any, list[tuple[int, dict[str, Any]]]] = {}
        build = {
            Kind.SITES: self._site,
            Kind.GROUPS: self._group,
            Kind.DESIGNS: self._design,
            Kind.PUMPS: self._pump,
            Kind.VALVES: self._valve,
        }.get(Kind(sheet.kind))
        for number, key, values in self.plan.good_rows(sheet, COLUMNS, self.mark):
            if build is not None:
                build(number, key, values)
            else:
                points.setdefault(key[:2], []).append((number, values))
        for key, rows in points.items():
            self._curve(key, rows)

    # rows of one kind
    def _site_of(self, kind: Kind, number: int, code: str) -> Site | None:
        site = self.sites.get(code)
        if site is None:
            self.plan.wrong(kind, number, "site", code, "there is no such site for you")
        elif site.is_retired:
            self.plan.wrong(kind, number, "site", code, "this site is retired")
            site = None
        return site

    def _permitted(self, kind: Kind, number: int, permit: str, site: Site) -> bool:
        if site.pk is None or site.pk in self.may[permit]:
            return True
        what = permit.replace("_", " ")
        self.plan.wrong(kind, number, "site", site.code, f"you may not {what} at this site")
        return False

    def _settle(
        self, kind: Kind, number: int, values: dict[str, Any], found: Any, fresh: Any, **refs: Any
    ) -> Planned | None:
        """Compare with the record, or fill in a new one; None when the row changes nothing."""
        target = found if found is not None else fresh
        wanted = {
            column.field: values[column.name]
            for column in COLUMNS[kind]
            if column.field and column.name in values
        } | refs
        if found is None and not self.plan.is_whole(kind, number, COLUMNS[kind], values):
            return None
        if found is not None and found.is_retired:
            self.plan.wrong(kind, number, "", None, f"{found} is retired; bring it back first")
            return None
        moved = {
            name: (before, value)
            for name, value in wanted.items()
            if not _same(before := getattr(target, name, None), value)
        }
        if found is not None and not moved:
            self.plan.same(kind)
            return None
        return Planned(kind, number, target, found is None, moved)

    def _keep(self, one: Planned, index: dict[Any, Any], key: Any) -> None:
        for name, (_, value) in one.moved.items():
            setattr(one.obj, name, value)
        index[key] = one.obj
        self.plan.planned.setdefault(one.kind, []).append(one)
        self.planned[id(one.obj)] = one

    def _site(self, number: int, key: Any, values: dict[str, Any]) -> None:
        zone = values.get("time_zone")
        if zone is not None and zone not in available_timezones():
            self.plan.wrong(Kind.SITES, number, "time_zone", zone, "is not an IANA time zone")
            return
        found = self.sites.get(key[0])
        if found is None and not self.actor.is_superuser:
            words = "there is no such site for you; an administrator of the installation adds sites"
            self.plan.wrong(Kind.SITES, number, "code", key[0], words)
            return
        one = self._settle(Kind.SITES, number, values, found, Site())
        if one is None:
            return
        if found is not None and found.pk not in self.may["change_register"]:
            words = "you may not change register at this site"
            self.plan.wrong(Kind.SITES, number, "code", key[0], words)
            return
        self._keep(one, self.sites, key[0])

    def _group(self, number: int, key: Any, values: dict[str, Any]) -> None:
        kind = Kind.GROUPS
        site = self._site_of(kind, number, key[0])
        if site is None:
            return
        found = self.groups.get(key)
        one = self._settle(kind, number, values, found, PumpGroup(site=site))
        if one is None or not self._permitted(kind, number, "change_register", site):
            return
        needed = values.get("needed", getattr(found, "needed", None))
        installed = values.get("installed", getattr(found, "installed", None))
        if needed is not None and installed is not None and not 1 <= needed <= installed:
            words = f"is not from 1 to the {installed} installed"
            self.plan.wrong(kind, number, "needed", needed, words)
            return
        self._keep(one, self.groups, key)

    def _design(self, number: int, key: Any, values: dict[str, Any]) -> None:
        one = self._settle(Kind.DESIGNS, number, values, self.designs.get(key), ValveDesign())
        if one is None:
            return
        if not self.may_designs:
            words = "you may not change design; a reliability engineer may"
            self.plan.wrong(Kind.DESIGNS, number, "code", key[0], words)
            return
        self._keep(one, self.designs, key)

    def _pump(self, number: int, key: Any, values: dict[str, Any]) -> None:
        kind = Kind.PUMPS
        site = self._site_of(kind, number, key[0])
        if site is None:
            return
        found = self.pumps.get(key)
        refs: dict[str, Any] = {}
        if "group" in values:
            group = self.groups.get((key[0], values["group"]))
            if group is None or group.is_retired:
                words = "is neither a group in service nor in a good row of this file"
                self.plan.wrong(kind, number, "group", values["group"], words)
                return
            refs["group"] = group
        one = self._settle(kind, number, values, found, Pump(), **refs)
        if one is None:
            return
        permits = ["change_register"] if one.is_new else rules.permits_of_pump_change(one.moved)
        if not all(self._permitted(kind, number, permit, site) for permit in permits):
            return
        if not one.is_new:
            hydraulic = rules.hydraulics_moved(one.moved, UNKNOWN)
            reason = rules.why_not_without_reason(hydraulic, self.reason)
            if reason is not None:
                self.plan.wrong(kind, number, hydraulic[0], values.get(hydraulic[0]), half(reason))
                return
        self._keep(one, self.pumps, key)

    def _curve(self, key: Any, rows: Any) -> None:
        kind = Kind.CURVE_POINTS
        first = rows[0][0]
        site = self._site_of(kind, first, key[0])
        pump = self.pumps.get(key) if site is not None else None
        if site is None:
            return
        if pump is None or pump.is_retired:
            words = "is neither a pump in service nor in a good row of this file"
            self.plan.wrong(kind, first, "pump", key[1], words)
            return
        if not self.plan.is_whole(kind, first, COLUMNS[kind], rows[0][1]):
            return
        new = sorted(
            (values["flow_m3_per_h"], values.get("head_m"), values.get("shaft_power_kw"))
            for _, values in rows
        )
        why = rules.why_not_curve(new)
        if why is not None:
            self.plan.wrong(kind, first, "pump", key[1], half(why))
            return
        old = self.points.get(pump.pk, [])
        if len(old) == len(new) and all(
            _same(was, now)
            for before, after in zip(old, new, strict=True)
            for was, now in zip(before, after, strict=True)
        ):
            self.plan.unchanged[kind] = self.plan.unchanged.get(kind, 0) + len(rows)
            return
        one = self.planned.get(id(pump))
        if (one is None or not one.is_new) and not self._permitted(
            kind, first, "change_pump", site
        ):
            return
        moved = {"curve": (tuple(old), tuple(new))}
        why = rules.why_not_without_reason(rules.hydraulics_moved(moved, UNKNOWN), self.reason)
        if why is not None:
            self.plan.wrong(kind, first, "pump", key[1], half(why))
            return
        if one is None:
            one = Planned(Kind.PUMPS, first, pump, False)
            self.planned[id(pump)] = one
            self.plan.planned.setdefault(Kind.PUMPS, []).append(one)
        one.moved.update(moved)
        self.plan.curves[id(pump)] = (one, new)

    def _valve(self, number: int, key: Any, values: dict[str, Any]) -> None:
        kind = Kind.VALVES
        site = self._site_of(kind, number, key[0])
        if site is None:
            return
        refs: dict[str, Any] = {}
        if "pump" in values:
            pump = self.pumps.get((key[0], values["pump"]))
            if pump is None or pump.is_retired:
                words = "is neither a pump in service nor in a good row of this file"
                self.plan.wrong(kind, number, "pump", values["pump"], words)
                return
            refs["pump"] = pump
        if "design" in values:
            design = self._design_of(number, values)
            if design is _MISSING:
                return
            refs["design"] = design
        one = self._settle(kind, number, values, self.valves.get(key), ProtectionValve(), **refs)
        if one is None or not self._permitted(kind, number, "change_register", site):
            return
        self._keep(one, self.valves, key)

    def _design_of(self, number: int, values: dict[str, Any]) -> Any:
        if values["design"] == NOT_KNOWN:
            return None
        dn = values.get("design_dn")
        wanted = (
            values["design"],
            values.get("design_variant", ""),
            dn,
            values.get("design_revision") or NOT_KNOWN,
        )
        design = self.designs.get(wanted)
        if design is None or design.is_retired:
            name = " ".join(str(part) for part in wanted if part not in ("", None))
            words = "is neither a design in service nor in a good row of this file"
            self.plan.wrong(Kind.VALVES, number, "design", name, words)
            return _MISSING
        return design

    def finish(self) -> Plan:
        """Checks across rows: one valve in service per pump."""
        serving: dict[int, ProtectionValve] = {}
        changed = {id(one.obj): one for one in self.plan.planned.get(Kind.VALVES, [])}
        order = sorted(self.valves.values(), key=lambda valve: id(valve) in changed)
        for valve in order:
            if valve.status != ValveStatus.IN_SERVICE.value:
                continue
            other = serving.setdefault(id(valve.pump), valve)
            if other is not valve:
                one = changed.pop(id(valve))
                words = f"pump {valve.pump} has the valve {other} in service already"
                self.plan.wrong(Kind.VALVES, one.row, "status", valve.status, words)
                self.plan.planned[Kind.VALVES].remove(one)
        order_of = {kind.value: place for place, kind in enumerate(Kind)}
        self.plan.errors.sort(key=lambda error: (order_of[error.sheet], error.row))
        return self.plan


def _same(before: Any, value: Any) -> bool:
    """Equal; for numbers to the 15 digits that sheet programs keep (IEEE 754 has up to 17)."""
    if isinstance(before, float) and isinstance(value, float):
        return math.isclose(before, value, rel_tol=1e-14, abs_tol=0.0)
    return bool(before == value)
