"""One verb per file: each opens its transaction, takes the row, decides, writes, tells."""

from valvecare.work.actions.object_to_retirement import open_order

__all__ = ["open_order"]
