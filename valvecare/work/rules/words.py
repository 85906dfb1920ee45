"""Closed word lists of a work order. The word is stored and shown."""

from enum import StrEnum


class OrderKind(StrEnum):
    """What an order is for: every task kind that can fall due, and the corrective repair."""

    STRIP_DOWN = "strip-down"
    FUNCTION_TEST = "function test"
    BYPASS_ONLY = "bypass-only inspection"
    LOOK_AND_LISTEN = "look and listen"
    EXCHANGE = "exchange"
    RECEIVING_CHECK = "receiving check"
    SISTER_INSPECTION = "sister inspection"
    CORRECTIVE = "corrective"


class OrderState(StrEnum):
    """One line of progress, three sidings, two ends."""

    RAISED = "raised"
    AGREED = "agreed"
    PLACED = "placed"
    READIED = "readied"
    UNDER_WAY = "under way"
    PROVEN = "proven"
    CLOSED = "closed"
    ON_HOLD = "on hold"
    PUT_OFF = "put off"
    DROPPED = "dropped"


class GateKind(StrEnum):
    """Timed, signed facts inside 'under way', in the order in which they may be passed."""

    IDENTITY = "identity confirmed"
    ISOLATED = "isolated"
    AS_FOUND = "as-found recorded"
    COVER_RELEASED = "cover released"
    PARTS_JUDGED = "every part judged"
    JOINT_CLOSED = "joint closed"
    MOVED_BY_HAND = "moved by hand"


class RaisedBy(StrEnum):
    AUTOMATIC = "automatic"
    PERSON = "person"


class AsFound(StrEnum):
    """How the valve was found, against what the interval led one to expect."""

    BETTER = "better than expected"
    AS_EXPECTED = "as expected"
    WORSE = "worse"
    FAILED = "failed"


class PartName(StrEnum):
    """The closed list of parts."""

    BODY = "body"
    COVER = "cover"
    COVER_GASKET = "cover gasket"
    SEAL_RING = "seal ring"
    O_RING = "O-ring"
    MAIN_DISC = "main disc"
    DISC_STEM = "disc stem"
    DISC_GUIDE = "disc guide"
    GUIDE_BUSH = "guide bush"
    BODY_SEAT = "body seat"
    DISC_SEAT = "disc seat"
    CONTACT_RING = "contact ring"
    CLOSING_SPRING = "closing spring"
    SPRING_SEAT = "spring seat"
    ACTUATING_LEVER = "actuating lever"
    LEVER_PIN = "lever pin"
    LEVER_BUSH = "lever bush"
    BYPASS_TRIM = "bypass trim"
    BYPASS_PLUG = "bypass plug"
    BYPASS_SLEEVE = "bypass sleeve"
    PORT = "port"
    BREAKING_BUSHING = "pressure-breaking bushing"
    BYPASS_ORIFICE = "bypass outlet orifice"
    BYPASS_NOZZLE = "bypass outlet nozzle"
    BYPASS_NON_RETURN = "bypass non-return element"
    FLOW_RING = "flow ring"
    ALL = "all parts"


class FindingGrade(StrEnum):
    AS_NEW = "0"
    USED = "1"
    MARKED = "2"
    REWORK = "3"
    NOT_FIT = "4"
    NOT_MEASURED = "?"


GRADE_WORDS = {
    FindingGrade.AS_NEW: "as new",
    FindingGrade.USED: "used, fit",
    FindingGrade.MARKED: "marked, fit until next time",
    FindingGrade.REWORK: "not fit, can be made fit",
    FindingGrade.NOT_FIT: "not fit",
    FindingGrade.NOT_MEASURED: "not measured",
}


class PartDecision(StrEnum):
    REUSE = "reuse"
    LAP = "lap"
    REPLACE = "replace"
    CANNOT_DECIDE = "cannot decide"


class Rods(StrEnum):
    """What held the cover while the spring was let go."""

    STANDARD_STUDS = "standard studs"
    LONG_RODS = "long rods"
    LONG_RODS_AND_CLAMP = "long rods and clamp"


# Codes in the style of ISO 14224 valve tables, from memory: to be checked against the standard.
FAILURE_MODES = {
    "FTO": "fails to open",
    "FTC": "fails to close",
    "DOP": "delayed operation",
    "ELP": "external leak of process medium",
    "INL": "internal leak",
    "LCP": "leak in closed position",
    "PLU": "plugged",
    "STD": "structural deficiency",
    "VIB": "vibration",
    "NOI": "noise",
    "LOO": "low output",
    "HIO": "high output",
    "SER": "minor in-service problem",
    "UNK": "not known",
}
MECHANISMS = {
    "1.3": "clearance or alignment",
    "1.5": "looseness",
    "1.6": "sticking",
    "2.1": "cavitation",
    "2.2": "corrosion",
    "2.3": "erosion",
    "2.4": "wear",
    "2.5": "breakage",
    "2.6": "fatigue",
    "5.1": "blockage",
    "5.2": "contamination",
}
CAUSES = {
    "1.1": "capacity",
    "2.2": "installation",
    "3.1": "off-design service",
    "3.2": "operating error",
    "3.3": "maintenance error",
    "3.4": "normal wear",
}
DETECTIONS = {
    "1": "periodic maintenance",
    "2": "functional test",
    "3": "inspection",
    "4": "periodic monitoring",
    "6": "continuous monitoring",
    "7": "production interference",
    "8": "casual observation",
    "10": "on demand",
}

PROGRESS = (
    OrderState.RAISED,
    OrderState.AGREED,
    OrderState.PLACED,
    OrderState.READIED,
    OrderState.UNDER_WAY,
    OrderState.PROVEN,
    OrderState.CLOSED,
)
SIDINGS = (OrderState.ON_HOLD, OrderState.PUT_OFF)
ENDS = (OrderState.CLOSED, OrderState.DROPPED)
OPEN_STATES = tuple(state for state in OrderState if state not in ENDS)
