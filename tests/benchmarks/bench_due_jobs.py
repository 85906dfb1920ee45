"""Pull of due jobs against the usual way: ``python -m tests.benchmarks.bench_due_jobs``.

Both variants answer the same page of 100 rows with the same fields, through the same request
handler, side by side, first page and deep page. Needs PostgreSQL (DATABASE_URL); works in a test
database of its own, which it drops. Prints medians and ratios.
Argument: number of open work orders (1000000 when absent), eight to a valve.
"""

import os
import secrets
import statistics
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")
os.environ.setdefault("SECRET_KEY", secrets.token_urlsafe(60))
django.setup()

from django.contrib.auth import get_user_model  # noqa: E402
from django.db import connection, reset_queries  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402
from rest_framework.test import APIRequestFactory, force_authenticate  # noqa: E402

from tests.benchmarks.usual_list import UsualList  # noqa: E402
from valvecare.models import (  # noqa: E402
    Membership,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
    WorkOrder,
)
from valvecare.work.api.orders import DueJobs, list_url  # noqa: E402
from valvecare.work.rules import OrderKind  # noqa: E402

AT = datetime(2026, 5, 4, 12, tzinfo=UTC)
SITES = 100
ROUNDS, WARM = 11, 1

FILL = """
INSERT INTO valvecare_work_order
  SELECT made.* FROM valvecare_work_order pattern, valvecare_protection_valve v
    JOIN valvecare_pump p ON p.id = v.pump_id JOIN valvecare_pump_group g ON g.id = p.group_id,
    unnest(%(kinds)s::text[]) WITH ORDINALITY kinds(k, n),
    LATERAL jsonb_populate_record(pattern, jsonb_build_object(
      'id', pattern.id + v.id * 100 + n, 'kind', k, 'site_id', g.site_id, 'valve_id', v.id,
      'due_on', date '2024-01-01' + ((v.id * 7919 + n * 104729) %% 1500)::int)) made
  WHERE pattern.id = %(pattern)s AND (v.id, k) <> (pattern.valve_id, pattern.kind);
"""
"""Orders as the pattern, each of another valve or kind."""


def fill(orders: int) -> Any:
    """Sites, groups, pumps, valves and open orders by SQL; returns two people."""
    design = ValveDesign.objects.create(code="OAK", dn=100, bypass_dn=50, principle="invented")
    sites = Site.objects.bulk_create(
        Site(code=f"S{n}", name="invented", time_zone="UTC") for n in range(SITES)
    )
    kinds = [kind.value for kind in OrderKind]
    valves = orders // len(kinds)
    groups = PumpGroup.objects.bulk_create(
        (
            PumpGroup(
                site=sites[n % SITES], code=f"G{n}", service="invented", installed=5, needed=4
            )
            for n in range(valves // 5 + 1)
        ),
        batch_size=5_000,
    )
    pumps = Pump.objects.bulk_create(
        (Pump(group=groups[n // 5], tag=f"P{n}", role="duty") for n in range(valves)),
        batch_size=2_000,
    )
    ProtectionValve.objects.bulk_create(
        (ProtectionValve(tag=f"V{n}", pump=pump, design=design) for n, pump in enumerate(pumps)),
        batch_size=5_000,
    )
    pattern = WorkOrder.objects.create(
        valve=ProtectionValve.objects.earliest("pk"),
        site=sites[0],
        kind=kinds[0],
        why="Calendar, 1.02 of the 24-month limit since the last strip-down.",
        raised_by="automatic",
        raised_at=AT,
        due_on=AT.date(),
        share_used=1.02,
        governed_by="calendar",
        updated_at=AT,
    )
    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 0")
        cursor.execute(FILL, {"pattern": pattern.pk, "kinds": kinds})
        cursor.execute("VACUUM ANALYZE")
    users = get_user_model().objects
    everywhere, one = users.create_user("all sites"), users.create_user("one site")
    Membership.objects.bulk_create(
        [
            *(Membership(user=everywhere, site=site, role="integrator") for site in sites),
            Membership(user=one, site=sites[42], role="integrator"),
        ]
    )
    return everywhere, one


def answer(view: Any, path: str, user: Any) -> Any:
    request = APIRequestFactory().get(path)
    force_authenticate(request, user)
    response = view(request)
    response.render() if hasattr(response, "render") else None
    assert response.status_code == 200
    return response


def median_ms(calls: dict[str, Callable[[], Any]]) -> dict[str, float]:
    """Medians of interleaved runs, so that a noisy moment hits all variants."""
    times: dict[str, list[float]] = {name: [] for name in calls}
    for number in range(ROUNDS + WARM):
        for name, call in calls.items():
            start = time.perf_counter()
            call()
            if number >= WARM:
                times[name].append(time.perf_counter() - start)
    return {name: 1000 * statistics.median(held) for name, held in times.items()}


def deep_cursor(user: Any, orders: Any, share: float) -> str:
    """The address of a keyset page that begins after the given share of the rows."""
    from valvecare.web.pagination import _encode

    count = orders.count()
    row = orders.order_by("due_on", "id").values("due_on", "id")[int(count * share)]
    return f"/api/v1/due-jobs?cursor={_encode([row['due_on'], row['id']])}"


def compare(name: str, user: Any) -> dict[str, float]:
    fast, usual = DueJobs.as_view(), UsualList.as_view()
    orders = WorkOrder.objects.for_user(user).open()
    count = orders.count()
    deep = deep_cursor(user, orders, 0.9)
    rows = answer(fast, "/api/v1/due-jobs", user).content
    with CaptureQueriesContext(
        connection,
    ) as queries:
        answer(fast, deep, user)
    found = median_ms(
        {
            "fast, first page": lambda: answer(fast, "/api/v1/due-jobs", user),
            "fast, deep page": lambda: answer(fast, deep, user),
            "usual, first page": lambda: answer(usual, "/usual", user),
            "usual, deep page": lambda: answer(usual, f"/usual?offset={int(count * 0.9)}", user),
        }
    )
    print(f"\n{name}: {count:,} open orders, {len(rows):,} bytes, {len(queries)} queries")
    for variant, took in found.items():
        print(f"  {variant:20s} {took:9.2f} ms")
    first, last = found["fast, first page"], found["fast, deep page"]
    print(f"  deep / first          {last / first:9.2f}")
    print(f"  usual / fast, first   {found['usual, first page'] / first:9.1f} x")
    print(f"  usual / fast, deep    {found['usual, deep page'] / last:9.1f} x")
    reset_queries()
    return found


def main(orders: int) -> None:
    list_url()  # loads every address now, not inside the first measurement
    # the tables come from the models, so that a changed index is measured before it is migrated
    connection.settings_dict["TEST"]["MIGRATE"] = False
    kept = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        start = time.perf_counter()
        everywhere, one = fill(orders)
        print(f"Filled in {time.perf_counter() - start:.0f} s: {SITES} sites")
        compare("all sites", everywhere)
        compare("one site of 100", one)
    finally:
        connection.creation.destroy_test_db(kept, verbosity=0)


if __name__ == "__main__":
    if connection.vendor != "postgresql":
        sys.exit("Needs PostgreSQL: set DATABASE_URL=postgres://…")
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
