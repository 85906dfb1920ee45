"""Import catalogue, places and opening stock of the store from a CSV or XLSX file."""

from valvecare.management.sheets import SheetCommand
from valvecare.parts.actions.import_parts import import_parts
from valvecare.parts.rules import PartsSheet


class Command(SheetCommand):
    help = (
        "Import part numbers, kits, kit lines, stores, bins and lots. With errors nothing is "
        "written, unless --good-rows-only."
    )
    run = staticmethod(import_parts)
    kinds = tuple(PartsSheet)
