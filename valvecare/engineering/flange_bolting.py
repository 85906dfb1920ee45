"""Number and size of flange bolts by standard: a check of a joint record, never a substitute."""

from dataclasses import dataclass

from valvecare.engineering.errors import NoSolution
from valvecare.engineering.plausible_mechanics import require_member
from valvecare.engineering.tables import table


@dataclass(frozen=True, slots=True)
class FlangeBolting:
    """Bolts of a standard flange: count, thread (M size, or inches), source and remark."""

    count: int
    bolt: str
    source: str
    remark: str

    @property
    def text(self) -> str:
        """Count and size in words, for example '8 x M16'."""
        return f"{self.count} x {self.bolt}"


def flange_standards() -> tuple[str, ...]:
    """Standards with their classes that the table lists.

    Returns
    -------
    tuple of str

    Assumptions
    -----------
    None.

    Source
    ------
    Table `data/flange_bolting.csv`, a source beside each row.

    Examples
    --------
    >>> flange_standards()[0]
    'EN 1092-1 PN16'
    """
    return tuple(dict.fromkeys(row["standard"] for row in table("flange_bolting")))


def flange_bolting(standard: str, *, size: str) -> FlangeBolting:
    """Bolts of a standard flange.

    Parameters
    ----------
    standard : a name of `flange_standards`, for example "ASME B16.5 150"
    size : nominal size as the standard writes it, "NPS 4" or "DN 100"

    Returns
    -------
    FlangeBolting

    Raises
    ------
    OutOfRange : standard or size not listed
    NoSolution : the sources seen disagree; count and measure, and keep it in the joint's record

    Assumptions
    -----------
    The flange was made to the standard and not drilled again.

    Source
    ------
    Table `data/flange_bolting.csv`, a source beside each row. A public chart lists NPS 4 class 150
    with 3/4 in bolts; the standard has 5/8.

    Examples
    --------
    >>> flange_bolting("ASME B16.5 150", size="NPS 4").text
    '8 x 5/8'
    """
    require_member("standard", standard, flange_standards(), "keep the bolting in the joint record")
    rows = {row["size"]: row for row in table("flange_bolting") if row["standard"] == standard}
    row = rows[require_member("size", size, tuple(rows), "keep the bolting in the joint record")]
    if not row["bolt"]:
        raise NoSolution(
            f"The bolting of {standard} {size} is not certain: {row['remark']}. Count and measure "
            "the bolts and keep them in the joint's record."
        )
    return FlangeBolting(int(row["count"]), row["bolt"], row["source"], row["remark"])
