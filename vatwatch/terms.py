"""The fixed words of the program: quantities, signals, kinds, conditions and states, each with its source.

No behaviour, no I/O, nothing but the standard library. The records that travel are in `records`.
"""

from __future__ import annotations

from enum import IntEnum, StrEnum


class Flag(IntEnum):
    """Quality flag of a value. Source: IOOS QARTOD manuals (flag table shared by all of them)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Quantity(StrEnum):
    """What is known about a vat's liquor."""

    PH = "ph"
    ORP = "orp_mv"
    TEMPERATURE = "temperature_c"


class Signal(StrEnum):
    """What a probe delivers, before calibration. Each signal ends up as one `quantity`."""

    quantity: Quantity

    PH = "ph"
    PH_MV = "ph_mv"
    ORP_MV = "orp_mv"
    TEMPERATURE_C = "temperature_c"
    PT100_OHM = "pt100_ohm"


# An attribute, not a property: it is read tens of times in every step of the judgement.
Signal.PH.quantity = Signal.PH_MV.quantity = Quantity.PH
Signal.ORP_MV.quantity = Quantity.ORP
Signal.TEMPERATURE_C.quantity = Signal.PT100_OHM.quantity = Quantity.TEMPERATURE


class VatCondition(StrEnum):
    """The one word a dyer reads first."""

    DYEABLE = "dyeable"
    SETTLING = "settling"
    OFF = "off"
    TOO_HOT = "too hot"
    UNKNOWN = "unknown"


class EntryKind(StrEnum):
    """What a dyer writes into the journal."""

    FEED = "feed"
    STIR = "stir"
    DIP = "dip"
    CHECK = "check"
    TOP_UP = "top-up"
    COVER = "cover"
    NOTE = "note"
    FINISH = "finish"
    OUTCOME = "outcome"
    REMADE = "remade"
    UNDO = "undo"
    PROBE_OUT = "probe-out"
    PROBE_BACK = "probe-back"


class Look(StrEnum):
    """What a dyer can report of a vat, from least to most reduced within each kind."""

    # a spoonful of clear liquor from below the surface, held against the light
    BLUE = "blue"
    BLUE_GREEN = "blue-green"
    GREEN = "green"
    YELLOW_GREEN = "yellow-green"
    AMBER = "amber"
    # what lies on the surface after an hour of rest
    FILM_NONE = "no film"
    FILM_THIN = "thin film"
    FILM_COPPERY = "coppery film"
    # a wet strip of cloth, held a minute below the surface, in the moment it comes up
    STRIP_BLUE = "strip blue"
    STRIP_GREEN = "strip green"
    STRIP_YELLOW = "strip yellow"


class AlarmState(StrEnum):
    """Alarm states of ISA-18.2 / IEC 62682 (names as in OPC UA Part 9, annex on ISA-18.2)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-to-normal unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class ActionVerb(StrEnum):
    """What a person may do to an alarm (ISA-18.2 terms)."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"


class Urgency(StrEnum):
    """How loudly a push may knock. Danger passes quiet hours; the others wait for them to end."""

    DANGER = "danger"
    ACT = "act"
    TELL = "tell"


class Stream(StrEnum):
    """What an outlet can tail. Each stream is numbered upwards from 1 without reuse."""

    SCANS = "scans"
    ALARM_EVENTS = "alarm_events"
    JOURNAL = "journal"
    PUSHES = "pushes"
