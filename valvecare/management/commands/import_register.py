"""Import the register from a CSV or XLSX file."""

from valvecare.management.sheets import SheetCommand
from valvecare.register.actions.import_register import import_register
from valvecare.register.rules import SheetKind


class Command(SheetCommand):
    help = (
        "Import sites, groups, designs, pumps, curve points and valves. With errors nothing is "
        "written, unless --good-rows-only."
    )
    run = staticmethod(import_register)
    kinds = tuple(SheetKind)
    flags = ("correction",)
