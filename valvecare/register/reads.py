"""Answers of the register, as frozen dataclasses: identity of a valve, overview, search, roles."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Count, Prefetch, Q

from valvecare.core.errors import NotFound
from valvecare.core.permits import PERMITS, Role
from valvecare.register.models import (
    Label,
    Membership,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import LabelKind, label_code


@dataclass(frozen=True)
class SiteFacts:
    id: int
    code: str
    name: str
    time_zone: str


@dataclass(frozen=True)
class GroupFacts:
    id: int
    code: str
    service: str
    installed: int
    needed: int
    common_return: bool


@dataclass(frozen=True)
class PumpFacts:
    id: int
    tag: str
    role: str
    medium: str
    speed_rpm: float | None
    best_flow_m3_per_h: float | None
    duty_flow_m3_per_h: float | None
    stable_min_flow_m3_per_h: float | None
    stable_min_flow_source: str
    returns_to: str
    hydraulics_changed_on: date | None
    hydraulics_change: str
    curve_points: int
    curve_source: str


@dataclass(frozen=True)
class DesignFacts:
    id: int
    name: str
    principle: str
    dn: int
    bypass_dn: int
    revision: str
    pressure_class_bar: int | None
    has_lever: bool
    cover_mass_kg: float | None
    stud_travel_mm: float | None
    job_hours: float | None


@dataclass(frozen=True)
class ValveIdentity:
    """Everything that says which valve this is and what it protects. `design` None: not known."""

    id: int
    version: int
    tag: str
    serial: str
    stamped_identity: str
    built_year: int | None
    seal_material: str
    attitude: str
    status: str
    bypass_kv_m3_per_h: float | None
    design_bypass_flow_m3_per_h: float | None
    switching_flow_m3_per_h: float | None
    remarks: str
    is_identified: bool
    retired_at: datetime | None
    site: SiteFacts
    group: GroupFacts
    pump: PumpFacts
    design: DesignFacts | None
    sisters: tuple[str, ...]
    """Tags of the other valves in service of the same group."""

    def site_of(self) -> SiteFacts:
        return self.site


def _facts(kind: Any, row: Any, **more: Any) -> Any:
    names = [name for name in kind.__dataclass_fields__ if name not in more]
    return kind(**{name: getattr(row, name) for name in names}, **more)


def valve_identity(valve_id: int, *, user: Any) -> ValveIdentity:
    """Who this valve is. Raises `NotFound` when the person may not see it."""
    valve = (
        ProtectionValve.objects.for_user(user)
        .select_related("pump__group__site", "design")
        .annotate(curve_points=Count("pump__curve_points"))
        .filter(pk=valve_id)
        .first()
    )
    if valve is None:
        raise NotFound("There is no such protection valve for you.")
    pump, group, design = valve.pump, valve.pump.group, valve.design
    sisters = (
        ProtectionValve.objects.in_service()
        .filter(pump__group=group)
        .exclude(pk=valve.pk)
        .values_list("tag", flat=True)
    )
    identity: ValveIdentity = _facts(
        ValveIdentity,
        valve,
        site=_facts(SiteFacts, group.site),
        group=_facts(GroupFacts, group),
        pump=_facts(PumpFacts, pump, curve_points=valve.curve_points),
        design=_facts(DesignFacts, design, name=str(design)) if design else None,
        sisters=tuple(sisters),
    )
    return identity


@dataclass(frozen=True)
class ValveLine:
    id: int
    tag: str
    serial: str
    design: str
    status: str
    is_identified: bool


@dataclass(frozen=True)
class PumpLine:
    id: int
    tag: str
    role: str
    has_curve: bool
    valves: tuple[ValveLine, ...]


@dataclass(frozen=True)
class GroupLine:
    id: int
    code: str
    service: str
    installed: int
    needed: int
    pumps: tuple[PumpLine, ...]


@dataclass(frozen=True)
class SiteLine:
    id: int
    code: str
    name: str
    time_zone: str
    groups: tuple[GroupLine, ...]
    valves: int
    not_identified: int
    pumps_without_valve: int
    pumps_without_curve: int


def _valve_line(valve: ProtectionValve) -> ValveLine:
    design = str(valve.design) if valve.design else "not known"
    return ValveLine(valve.pk, valve.tag, valve.serial, design, valve.status, valve.is_identified)


def _site_line(site: Site) -> SiteLine:
    groups = tuple(
        GroupLine(
            group.pk,
            group.code,
            group.service,
            group.installed,
            group.needed,
            tuple(
                PumpLine(
                    pump.pk,
                    pump.tag,
                    pump.role,
                    pump.points > 0,
                    tuple(_valve_line(valve) for valve in pump.valves.all()),
                )
                for pump in group.pumps.all()
            ),
        )
        for group in site.groups.all()
    )
    pumps = [pump for group in groups for pump in group.pumps]
    valves = [valve for pump in pumps for valve in pump.valves]
    return SiteLine(
        site.pk,
        site.code,
        site.name,
        site.time_zone,
        groups,
        valves=len(valves),
        not_identified=sum(not valve.is_identified for valve in valves),
        pumps_without_valve=sum(not pump.valves for pump in pumps),
        pumps_without_curve=sum(not pump.has_curve for pump in pumps),
    )


def register_overview(user: Any, *, site: str | None = None) -> tuple[SiteLine, ...]:
    """Sites, groups, pumps and valves in service or spare that the person sees, with counts.

    `site` narrows to one code. Four queries, whatever the size.
    """
    live = Q(retired_at__isnull=True)
    valves = ProtectionValve.objects.filter(live).select_related("design")
    pumps = (
        Pump.objects.filter(live)
        .annotate(points=Count("curve_points"))
        .prefetch_related(Prefetch("valves", valves))
    )
    groups = PumpGroup.objects.filter(live).prefetch_related(Prefetch("pumps", pumps))
    sites = Site.objects.for_user(user).filter(live).prefetch_related(Prefetch("groups", groups))
    if site is not None:
        sites = sites.filter(code=site)
    return tuple(_site_line(one) for one in sites)


@dataclass(frozen=True)
class Hit:
    """Something the search found. `url_name` and `args` name its page; empty name: no page."""

    kind: str
    name: str
    place: str
    url_name: str
    args: tuple[Any, ...]
    is_exact: bool


Finder = Callable[[Any, str], Iterable[Hit]]
FINDERS: list[Finder] = []
SEARCH_LIMIT = 50


def register_finder(find: Finder) -> Finder:
    """Let a later capability be found: `find(user, text)` gives hits the person may see."""
    if find not in FINDERS:
        FINDERS.append(find)
    return find


def search(user: Any, text: str) -> tuple[Hit, ...]:
    """Everything whose tag, serial or number is or contains the text, exact ones first."""
    text = text.strip()
    if not text or "\0" in text:
        return ()
    hits = [hit for find in FINDERS for hit in find(user, text)]
    return tuple(sorted(hits, key=lambda hit: (not hit.is_exact, hit.kind, hit.name)))


@register_finder
def find_valves(user: Any, text: str) -> list[Hit]:
    """Protection valves by tag, serial number or stamped identity; pumps by tag."""
    rows = (
        ProtectionValve.objects.for_user(user)
        .filter(
            Q(tag__icontains=text) | Q(serial__icontains=text) | Q(stamped_identity__icontains=text)
        )
        .select_related("pump__group__site")[:SEARCH_LIMIT]
    )
    wanted = text.casefold()
    return [
        Hit(
            "protection valve",
            valve.tag,
            f"{valve.pump.group.site} · {valve.pump} · serial {valve.serial}",
            "valve",
            (valve.pk,),
            wanted in (valve.tag.casefold(), valve.serial.casefold()),
        )
        for valve in rows
    ]


@register_finder
def find_pumps(user: Any, text: str) -> list[Hit]:
    """Pumps by tag; the page of a pump is that of the valve that protects it."""
    rows = (
        Pump.objects.for_user(user)
        .filter(tag__icontains=text)
        .select_related("group__site")
        .prefetch_related(Prefetch("valves", ProtectionValve.objects.in_service()))[:SEARCH_LIMIT]
    )
    hits = []
    for pump in rows:
        valve = next(iter(pump.valves.all()), None)
        hits.append(
            Hit(
                "pump",
                pump.tag,
                f"{pump.group.site} · {pump.group}",
                "valve" if valve else "",
                (valve.pk,) if valve else (),
                pump.tag.casefold() == text.casefold(),
            )
        )
    return hits


@dataclass(frozen=True)
class RolesAtSite:
    site: Site
    roles: Sequence[str]
    permits: Sequence[str]


def roles_of(user: Any) -> tuple[RolesAtSite, ...]:
    """Roles and permits of a person, per site; an administrator holds every role."""
    if user.is_superuser:
        held = {site: set(Role) for site in Site.objects.all()}
    else:
        held = {}
        rows = Membership.objects.filter(user=user).select_related("site").order_by("site__code")
        for row in rows:
            held.setdefault(row.site, set()).add(Role(row.role))
    return tuple(
        RolesAtSite(
            site,
            sorted(role.value for role in roles),
            sorted(permit for permit, may in PERMITS.items() if may & roles),
        )
        for site, roles in held.items()
    )


def designs_in_use(user: Any) -> list[ValveDesign]:
    """Designs of the valves the person sees, each once."""
    seen = ProtectionValve.objects.for_user(user).values("design_id")
    return list(ValveDesign.objects.filter(pk__in=seen))


@dataclass(frozen=True)
class Target:
    """What a label is fixed to. `url_name` and `args` name its page; empty name: no page."""

    kind: LabelKind
    id: int
    name: str
    site: Site
    place: str
    url_name: str
    args: tuple[Any, ...]
    is_retired: bool
    valve_id: int | None = None


@dataclass(frozen=True)
class Labelled:
    """One line of the page 'Labels': a thing that may carry a plate."""

    id: int
    name: str
    place: str


@dataclass(frozen=True)
class LabelSource:
    """How things of one kind are found and listed for labels.

    `find(user, id)` gives the record the person may see, or None. `rows(user, site, group)` lists
    what is in use; `line` puts one of its rows into words.
    """

    find: Callable[[Any, int], Target | None]
    rows: Callable[[Any, str, str], Any]
    line: Callable[[Any], Labelled]


SOURCES: dict[LabelKind, LabelSource] = {}


def register_label_source(kind: LabelKind, source: LabelSource) -> None:
    """Let a later capability be labelled: bins and kits lie above the register."""
    SOURCES[kind] = source


def valve_target(user: Any, pk: int) -> Target | None:
    valve = (
        ProtectionValve.objects.for_user(user)
        .select_related("pump__group__site")
        .filter(pk=pk)
        .first()
    )
    if valve is None:
        return None
    place = f"protects {valve.pump}, serial {valve.serial}"
    return Target(
        LabelKind.VALVE,
        pk,
        valve.tag,
        valve.site_of(),
        place,
        "valve",
        (pk,),
        valve.is_retired,
        pk,
    )


def pump_target(user: Any, pk: int) -> Target | None:
    """A pump's page is that of the valve in service that protects it."""
    pump = Pump.objects.for_user(user).select_related("group__site").filter(pk=pk).first()
    if pump is None:
        return None
    valve = ProtectionValve.objects.in_service().filter(pump=pump).first()
    return Target(
        LabelKind.PUMP,
        pk,
        pump.tag,
        pump.site_of(),
        f"pump of {pump.group}",
        "valve" if valve else "",
        (valve.pk,) if valve else (),
        pump.is_retired,
        valve.pk if valve else None,
    )


def _valve_rows(user: Any, site: str, group: str) -> Any:
    rows = ProtectionValve.objects.for_user(user).filter(retired_at=None)
    if site:
        rows = rows.filter(pump__group__site__code=site)
    if group:
        rows = rows.filter(pump__group__code=group)
    return rows.select_related("pump__group__site").order_by("pump__group__site__code", "tag")


def _labelled_valve(valve: ProtectionValve) -> Labelled:
    group = valve.pump.group
    return Labelled(valve.pk, valve.tag, f"{group.site.code}, {group.code}, pump {valve.pump.tag}")


def _pump_rows(user: Any, site: str, group: str) -> Any:
    rows = Pump.objects.for_user(user).filter(retired_at=None)
    if site:
        rows = rows.filter(group__site__code=site)
    if group:
        rows = rows.filter(group__code=group)
    return rows.select_related("group__site").order_by("group__site__code", "tag")


def _labelled_pump(pump: Pump) -> Labelled:
    return Labelled(pump.pk, pump.tag, f"{pump.group.site.code}, {pump.group.code}")


register_label_source(LabelKind.VALVE, LabelSource(valve_target, _valve_rows, _labelled_valve))
register_label_source(LabelKind.PUMP, LabelSource(pump_target, _pump_rows, _labelled_pump))


def target_of(user: Any, kind: LabelKind, pk: int) -> Target:
    """What a label of this kind and key is fixed to. Raises `NotFound`."""
    source = SOURCES.get(LabelKind(kind))
    target = source.find(user, pk) if source is not None and 0 < pk < 2**63 else None
    if target is None:
        raise NotFound(f"There is no such {LabelKind(kind).value} for you.")
    return target


def label_of(user: Any, code: str) -> tuple[Label, Target]:
    """The label with this code, retired or not, and its thing. Raises `NotFound`."""
    label = Label.objects.for_user(user).filter(code=code).select_related("site").first()
    if label is None:
        raise NotFound("There is no such label for you.")
    return label, target_of(user, LabelKind(label.kind), label.target_id)


def live_labels(kind: LabelKind, ids: Iterable[int]) -> Mapping[int, Label]:
    """The live label of each of these records that has one. One query."""
    rows = Label.objects.filter(kind=kind.value, target_id__in=list(ids), retired_at=None)
    return {row.target_id: row for row in rows}


@register_finder
def find_labels(user: Any, text: str) -> list[Hit]:
    """A label by its code or the address on it; its page is that of the thing."""
    code = label_code(text)
    if code is None:
        return []
    try:
        label, target = label_of(user, code)
    except NotFound:
        return []
    state = "retired label" if label.is_retired else "label"
    return [
        Hit(
            state,
            code,
            f"{target.site} · {target.kind.value} {target.name}",
            "label",
            (code,),
            True,
        )
    ]
