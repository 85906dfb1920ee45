"""How long 5,000 new valves in one file take, beside the same rows saved one by one.

    DATA_DIR=/some/folder python -m tests.benchmarks.bench_import

Floor 20 s, aim 2 s, on two cores. The ratio to saving row by row (500 of them, scaled) is what
can be compared between machines. Uses a database of its own below DATA_DIR.
"""

import io
import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

VALVES = 5_000
ONE_BY_ONE = 500
AT = datetime(2026, 5, 4, tzinfo=UTC)


def _file(header, lines):
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet("valves")
    sheet.append(header)
    for line in lines:
        sheet.append(line)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def main() -> None:
    folder = Path(os.environ.get("DATA_DIR", "")).resolve()
    if not os.environ.get("DATA_DIR"):
        sys.exit("Set DATA_DIR to a folder for the database of this run.")
    os.environ.setdefault("DATABASE_URL", f"sqlite:///{folder / 'bench_import.sqlite3'}")
    os.environ.setdefault("DEBUG", "1")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.contrib.auth import get_user_model
    from django.test.runner import DiscoverRunner

    settings.DEBUG = False
    settings.MIGRATION_MODULES = {app: None for app in ("valvecare",)}
    runner = DiscoverRunner(verbosity=0, interactive=False)
    old = runner.setup_databases()
    try:
        _measure(get_user_model())
    finally:
        runner.teardown_databases(old)


def _measure(users) -> None:
    from tests.factories.register import ValveDesignFactory
    from valvecare.core.records import create
    from valvecare.models import ProtectionValve, Pump, PumpGroup, Site
    from valvecare.register.actions.export_register import csv_lines, rows_of
    from valvecare.register.actions.import_register import import_register
    from valvecare.register.rules import SheetKind as Kind

    boss = users(username="boss", is_superuser=True)
    boss.save()
    site = Site.objects.create(code="XX", name="Invented", time_zone="UTC")
    group = PumpGroup.objects.create(site=site, code="G", service="x", installed=9, needed=1)
    Pump.objects.bulk_create(
        Pump(group=group, tag=f"P-{n}", role="duty") for n in range(VALVES + ONE_BY_ONE)
    )
    design = ValveDesignFactory(code="OAK")
    header = (
        "site", "tag", "pump", "design", "design_variant", "design_dn", "design_revision",
        "serial", "stamped_identity", "built_year", "seal_material", "attitude", "status",
        "bypass_kv_m3_per_h", "design_bypass_flow_m3_per_h", "switching_flow_m3_per_h", "remarks",
    )  # fmt: skip
    lines = [
        ("XX", f"V-{n}", f"P-{n}", "OAK", "", 100, "A", f"S-{n}", "not known", 2014, "EPDM",
         "horizontal", "in service", 3.3, 30, 36, "invented")
        for n in range(VALVES)
    ]  # fmt: skip
    data = _file(header, lines)

    def timed(words, act):
        start = time.perf_counter()
        result = act()
        took = time.perf_counter() - start
        print(f"{words}: {took:.2f} s")
        return result, took

    def run(**more):
        return import_register(data, "valves.xlsx", actor=boss, at=AT, **more)

    print(f"{VALVES} valves, {len(data) / 1e3:.0f} kB XLSX")
    shown, _ = timed("dry run", lambda: run(dry_run=True))
    assert not shown.errors
    _, bulk = timed("import", run)
    assert ProtectionValve.objects.count() == VALVES
    assert ProtectionValve.history.count() == VALVES
    again, _ = timed("same file again", run)
    assert again.unchanged == VALVES
    text, _ = timed(
        "export as CSV", lambda: "".join(csv_lines(Kind.VALVES, rows_of(Kind.VALVES, boss)))
    )
    assert text.count("\n") == VALVES + 1
    pumps = list(Pump.objects.order_by("-pk")[:ONE_BY_ONE])

    def one_by_one():
        for n, pump in enumerate(pumps):
            valve = ProtectionValve(tag=f"W-{n}", pump=pump, design=design, serial=f"W-{n}")
            create(valve, actor=boss, at=AT, permit="change_register")

    _, single = timed(f"{ONE_BY_ONE} saved one by one", one_by_one)
    print(f"row by row / import, per row: {single / ONE_BY_ONE / (bulk / VALVES):.1f}")


if __name__ == "__main__":
    main()
