"""An invented plant for the browser, and the address of every page of ours in it.

A new page is walked unasked; one with arguments must be given them in `ARGUMENTS`, and
`test_every_page_is_visited` says so until it is.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django.test import Client
from django.urls import URLPattern, get_resolver, reverse

from tests.factories.look import NOON, proof, task, verdict
from tests.factories.parts import KitFactory, Shelf
from tests.factories.planning import CrewFactory, WindowFactory
from tests.factories.proving import Guided, one
from tests.factories.readings import SeriesFactory, integrator, push, row
from tests.factories.register import (
    PumpFactory,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    valve_at,
)
from tests.factories.work import Job, WorkOrderFactory
from valvecare.core.events import record
from valvecare.core.models import NOT_KNOWN
from valvecare.parts.actions import begin_count
from valvecare.planning.models import Window
from valvecare.register.actions import make_label
from valvecare.register.rules import LabelKind

NO_PAGE = {
    "manifest",
    "service-worker",
    "phone-session",
    "photo",
    "order-taken-along",
    "order-brought-back",
    "livez",
    "readyz",
    "schema",
    "api-docs",
    "work-order-act",
    "order-test-begin",
    "order-test-finish",
    "order-test-back",
    "order-test-readings",
    "order-test-not-done",
    "order-test-step-back",
    "readings-judge",
    "series-confirm",
    "series-meter",
    "series-swap",
    "series-wrong",
    "labels-print",
    "labels-pdf",
    "job-card-pdf",
    "label-make",
    "label-retire",
    "label-svg",
    "label",
    "label-lower-case",
    "lot-act",
    "store-add",
    "bin-add",
    "bin-act",
    "reservation-release",
    "parts-begin-count",
    "parts-reserve",
    "parts-order",
    "parts-find",
}
"""Routes that are no page of ours, or take a POST only; the documents of the interface come from
a library."""


@dataclass(frozen=True)
class Scene:
    site: Any
    known: Any
    unknown: Any
    item: Any
    order: Any
    agreed: Any
    series: Any
    person: Any
    tested: Any
    untested: Any
    shelf: Shelf

    def cookie(self) -> str:
        """A session of the person."""
        client = Client()
        client.force_login(self.person)
        return client.cookies["sessionid"].value


def build() -> Scene:
    """One site with an identified valve, one nobody knows, tasks in every state, tests, events."""
    site = SiteFactory(code="NH", name="Norrhollow District Heat", time_zone="Europe/Stockholm")
    pump = PumpFactory(group__site=site, with_curve=True, tag="NH-FW-3P", group__code="NH-FW")
    known = valve_at(site, tag="NH-FW-3V", pump=pump)
    design = ValveDesignFactory(revision=NOT_KNOWN)
    unknown = valve_at(site, tag="AF-CR-2V", design=design, serial=NOT_KNOWN)
    item = task(known, "overdue", 1.43)
    task(known, "coming up", 0.93, kind="function test", governed_by="run-hours")
    task(unknown, "no record")
    task(valve_at(site), "not yet", 0.4)
    valve_at(site)
    proof(known, 29.8, "pass")
    proof(known, 21.0, "fail", done_at=NOON.replace(year=2025), restriction="Load within 60 s.")
    record("valve.noted", known, actor=None, at=NOON, words="Somebody looked at it.")
    verdict(known, "Does not protect", restriction="Load within 60 s.", until=NOON.date())
    verdict(unknown, "Not known")
    order = Job(site, WorkOrderFactory(valve=known)).to_under_way().order
    agreed = Job(site, WorkOrderFactory(valve=unknown)).to_agreed().order
    WindowFactory(site=site)
    CrewFactory(site=site)
    series = SeriesFactory(pump=pump, site=site)
    push([row(series, hours, 1_000.0 + hours / 2) for hours in range(0, 480, 12)], integrator(site))
    person = UserFactory(username="planner", is_superuser=True, is_staff=True)
    make_label(LabelKind.VALVE, known.pk, actor=person, at=NOON)
    tested = Guided.new(site=site).begin().read_all(leave=("T5",))
    tested.read([one("T5", "slam", 1)])
    untested = WorkOrderFactory(valve=known, kind="function test", state="under way")
    return Scene(
        site,
        known,
        unknown,
        item,
        order,
        agreed,
        series,
        person,
        tested.order,
        untested,
        Shelf(site),
    )


ARGUMENTS: dict[str, Callable[[Scene], list[Any]]] = {
    "calculation": lambda scene: ["bypass-working-point"],
    "bin": lambda scene: [scene.shelf.bin.pk],
    "lot": lambda scene: [scene.shelf.stock().pk],
    "order-procedure": lambda scene: [scene.order.pk],
    "parts-count": lambda scene: [
        begin_count(scene.shelf.bin.store_id, actor=scene.shelf.keeper, at=NOON).pk
    ],
    "due-why": lambda scene: [scene.item.pk],
    "job-card": lambda scene: [scene.order.pk],
    "job-pack": lambda scene: [scene.order.pk],
    "kit": lambda scene: [KitFactory().pk],
    "pick-list": lambda scene: [Window.objects.get().pk],
    "label-of": lambda scene: ["valve", scene.known.pk],
    "order-whole": lambda scene: [scene.order.pk],
    "order-identity": lambda scene: [scene.order.pk],
    "order-test": lambda scene: [scene.tested.pk],
    "order-test-step": lambda scene: [scene.tested.pk, "t1"],
    "place-order": lambda scene: [scene.agreed.pk],
    "register-site": lambda scene: [scene.site.code],
    "series": lambda scene: [scene.series.pk],
    "verdict-why": lambda scene: [scene.known.pk],
    "valve": lambda scene: [scene.known.pk],
    "work-order": lambda scene: [scene.order.pk],
}

MORE: tuple[tuple[str, Callable[[Scene], str]], ...] = (
    ("login", lambda scene: "/login/"),
    ("error", lambda scene: "/there-is-no-such-page/"),
    ("one site", lambda scene: "/?site=NH"),
    ("due, filtered", lambda scene: "/due/?state=overdue&site=NH"),
    ("due, refused", lambda scene: "/due/?stauts=overdue"),
    ("due, empty", lambda scene: "/due/?kind=exchange"),
    ("valves, refused", lambda scene: "/valves/?wrod=Doubtful"),
    ("valves, empty", lambda scene: "/valves/?word=Doubtful"),
    ("valve not known", lambda scene: f"/valves/{scene.unknown.pk}/"),
    ("test, not begun", lambda scene: reverse("valvecare:order-test", args=[scene.untested.pk])),
    (
        "test, stops",
        lambda scene: reverse("valvecare:order-test-step", args=[scene.tested.pk, "t2"]),
    ),
    ("search, list", lambda scene: reverse("valvecare:search") + "?q=NH"),
    ("search, nothing", lambda scene: reverse("valvecare:search") + "?q=ZZ"),
)
"""The same pages in another state, and those outside the namespace."""


def pages() -> dict[str, int]:
    """Name of every page in our namespace, and how many arguments its address takes."""
    for entry in get_resolver().url_patterns:
        if getattr(entry, "namespace", None) == "valvecare":
            return {
                step.name: str(step.pattern).count("<")
                for step in entry.url_patterns
                if isinstance(step, URLPattern)
                and step.name
                and step.name not in NO_PAGE
                and not str(step.pattern).startswith(("api/", "^api/"))
            }
    raise AssertionError("The namespace valvecare is not mounted.")


def unlisted() -> list[str]:
    """Pages that take arguments nobody has given in `ARGUMENTS`."""
    return sorted(name for name, count in pages().items() if count and name not in ARGUMENTS)


def addresses(scene: Scene) -> Iterator[tuple[str, str]]:
    """(name, path) of every page a browser test visits."""
    for name in sorted(set(pages()) - set(unlisted())):
        given = ARGUMENTS.get(name, lambda scene: [])(scene)
        yield name, reverse(f"valvecare:{name}", args=given)
    for name, path in MORE:
        yield name, path(scene)
