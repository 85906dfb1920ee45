"""How many photographs an order has room for."""

from valvecare.core.errors import Reason

PHOTOS_PER_STEP = 6
PHOTOS_PER_ORDER = 60
PHOTO_BYTES_PER_ORDER = 100_000_000


def why_not_photos(*, kept: int, kept_bytes: int, more: int, more_bytes: int) -> Reason | None:
    """An order has room for 60 photographs and 100 MB, a step for 6."""
    numbers = {"kept": kept, "kept_bytes": kept_bytes, "more": more, "more_bytes": more_bytes}
    if more > PHOTOS_PER_STEP:
        return Reason(
            "too_many_photos_at_once",
            f"{more} photographs were sent with one step; {PHOTOS_PER_STEP} are the most.",
            "Keep those that show the finding.",
            numbers,
        )
    if kept + more > PHOTOS_PER_ORDER or kept_bytes + more_bytes > PHOTO_BYTES_PER_ORDER:
        return Reason(
            "no_room_for_photos",
            f"This order holds {kept} photographs, {kept_bytes / 1e6:.0f} MB; there is room for "
            f"{PHOTOS_PER_ORDER} and {PHOTO_BYTES_PER_ORDER / 1e6:.0f} MB.",
            "Record the step without the photograph.",
            numbers,
        )
    return None


def why_no_photos(count: int) -> Reason | None:
    """A step of photographs holds at least one."""
    if count:
        return None
    return Reason("no_photo", "No photograph was sent.", "Send one or more files.")
