"""SQL the ORM has no word for: monthly partitions and index probes. For both databases."""

from valvecare.readings.sql.months import backward, drop_month, ensure_months, forward

__all__ = ["backward", "drop_month", "ensure_months", "forward"]
