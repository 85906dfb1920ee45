"""When a stored verdict may no longer be shown as valid."""

from datetime import timedelta

CONFIRM_WITHIN = timedelta(hours=24)
"""A verdict nobody judged again for this long is stale: the sweep runs every few minutes."""

NOT_JUDGED = "not_judged_yet"
STALE = "being_judged_again"

NOT_JUDGED_WORDS = "Not judged yet: the valve is new to the sweep."
STALE_WORDS = "A fact has changed since it was judged; it is being judged again."
