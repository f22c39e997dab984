"""Bytes from the broker become values, or a Refused that says why. Nothing that arrives gets past here unchecked."""

import json
import math
import re
from dataclasses import asdict, dataclass
from datetime import datetime, timezone

ID = re.compile(r"[a-z0-9-]{1,64}")
LARGEST = 65_536  # bytes; our choice: what the shipped broker lets through
WHOLE_MOST = 2**64 - 1
EARLIEST, LATEST = 0, 2**33  # seconds since 1970 that are a time at all: until the year 2242; our choice


class Refused(Exception):
    """Why a payload is of no use, as the end of a sentence. `cause` is short and from a closed list."""

    def __init__(self, cause, text):
        super().__init__(text)
        self.cause = cause


@dataclass(frozen=True)
class Instruction:
    """What one controller shall do. Times in seconds since 1970, percentages 0 to 200."""

    epoch: int
    sequence: int
    issued_at: float
    valid_until: float
    water_allowed: bool
    text: str
    percent: int | None = None
    percents: dict | None = None
    months: tuple | None = None

    @property
    def pair(self):
        return (self.epoch, self.sequence)


@dataclass(frozen=True)
class Fallback:
    """Twelve percentages, January first, and the months (1 to 12) in which a contact stays held."""

    epoch: int
    sequence: int
    issued_at: float
    percents: tuple
    frost_months: frozenset

    @property
    def pair(self):
        return (self.epoch, self.sequence)


@dataclass(frozen=True)
class DaemonStatus:
    """Whether the daemon is there; `reason` is empty while it is."""

    online: bool
    reason: str


def instruction(payload, site, controller):
    """Reads an instruction for `controller` of `site`. Raises Refused."""
    keys = _payload(payload, "thirst/instruction/1")
    _named(keys, "site", site)
    _named(keys, "controller", controller)
    percents, months, percent = keys.get("percents"), keys.get("months"), keys.get("percent")
    if percent is not None:
        percent = _whole(keys, "percent", 0, 200)
    if percents is not None:
        if not isinstance(percents, dict) or len(percents) > 256 or not all(map(ID.fullmatch, percents)):
            raise Refused("type", "its percents are not a percentage per group")
        percents = {group: _whole(percents, group, 0, 200) for group in percents}
    if months is not None:
        months = _twelve(keys, "months")
    return Instruction(
        epoch=_whole(keys, "epoch", 0, WHOLE_MOST),
        sequence=_whole(keys, "sequence", 0, WHOLE_MOST),
        issued_at=_time(keys, "issued_at"),
        valid_until=_time(keys, "valid_until"),
        water_allowed=_typed(keys, "water_allowed", bool, "true or false"),
        text=plain(_typed(keys, "text", str, "text")),
        percent=percent,
        percents=percents,
        months=months,
    )


def fallback(payload, site):
    """Reads the fallback of `site`. Raises Refused."""
    keys = _payload(payload, "thirst/fallback/1")
    _named(keys, "site", site)
    frost = _typed(keys, "frost_months", list, "a list of months")
    if len(frost) > 12:
        raise Refused("range", "its frost_months are more than twelve")
    return Fallback(
        epoch=_whole(keys, "epoch", 0, WHOLE_MOST),
        sequence=_whole(keys, "sequence", 0, WHOLE_MOST),
        issued_at=_time(keys, "issued_at"),
        percents=_twelve(keys, "percents"),
        frost_months=frozenset(_whole(dict(frost_months=month), "frost_months", 1, 12) for month in frost),
    )


def daemon_status(payload, instance):
    """Reads the status of the daemon `instance`. Raises Refused."""
    keys = _payload(payload, "thirst/daemon/1")
    _named(keys, "instance", instance)
    state = keys.get("state")
    if state not in ("online", "offline"):
        raise Refused("type", "its state is neither online nor offline")
    reason = keys.get("reason", "")
    return DaemonStatus(online=state == "online", reason=plain(reason) if isinstance(reason, str) else "")


def flow(payload, pointer):
    """Reads a flow: the payload itself, or the value at a JSON pointer in it. A finite number that is not below 0."""
    value = _json(payload)
    for level in pointer.split("/")[1:] if pointer else []:
        if not isinstance(value, dict) or level not in value:
            raise Refused("type", f"there is nothing at {pointer}")
        value = value[level]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Refused("type", "the flow is no number")
    try:
        value = float(value)
    except OverflowError:
        raise Refused("range", "the flow is out of all range") from None
    if not math.isfinite(value) or value < 0:
        raise Refused("range", "the flow is below 0 or out of all range")
    return value


def to_saved(value):
    """An Instruction or a Fallback as plain JSON values, for `from_saved`."""
    saved = asdict(value)
    if isinstance(value, Fallback):
        saved["frost_months"] = sorted(value.frost_months)
    return saved


def from_saved(kind, saved):
    """What `to_saved` wrote; raises Refused where somebody else wrote it."""
    if not isinstance(saved, dict):
        raise Refused("type", "it is no object")
    names = {"epoch": WHOLE_MOST, "sequence": WHOLE_MOST}
    values = {name: _whole(saved, name, 0, most) for name, most in names.items()}
    values["issued_at"] = _number(saved, "issued_at")
    if kind is Fallback:
        frost = _typed(saved, "frost_months", list, "a list of months")
        months = [_whole(dict(frost_months=month), "frost_months", 1, 12) for month in frost]
        return Fallback(percents=_twelve(saved, "percents"), frost_months=frozenset(months), **values)
    if saved.get("percent") is not None:
        values["percent"] = _whole(saved, "percent", 0, 200)
    if saved.get("months") is not None:
        values["months"] = _twelve(saved, "months")
    if saved.get("percents") is not None:
        percents = _typed(saved, "percents", dict, "a percentage per group")
        values["percents"] = {group: _whole(percents, group, 0, 200) for group in percents}
    return Instruction(
        valid_until=_number(saved, "valid_until"),
        water_allowed=_typed(saved, "water_allowed", bool, "true or false"),
        text=plain(_typed(saved, "text", str, "text")),
        **values,
    )


def plain(text, most=300):
    """One line of text for a log or a note: no control characters, no more than `most` characters."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text[: 4 * most]).split())
    return line if len(line) <= most else line[: most - 1] + "…"


def _json(payload):
    if len(payload) > LARGEST:
        raise Refused("size", f"it has {len(payload)} bytes; the most is {LARGEST}")
    try:
        return json.loads(payload.decode("utf-8"), parse_constant=_no_constant)
    except RecursionError:
        raise Refused("json", "it is nested too deeply") from None
    except ValueError:
        # Also of text that is not UTF-8, of NaN and of whole numbers with thousands of digits.
        raise Refused("json", "it is not JSON") from None


def _no_constant(name):
    raise ValueError(name)


def _payload(payload, schema):
    keys = _json(payload)
    if not isinstance(keys, dict):
        raise Refused("json", "it is no JSON object")
    if keys.get("schema") != schema:
        raise Refused("schema", f"its schema is not {schema}")
    return keys


def _named(keys, key, wanted):
    if keys.get(key) != wanted:
        raise Refused("other", f"its {key} is not {wanted}")


def _typed(keys, key, kind, write):
    value = keys.get(key)
    if not isinstance(value, kind):
        raise Refused("type", f"its {key} is not {write}")
    return value


def _whole(keys, key, least, most):
    value = keys.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise Refused("range", f"its {key} is no whole number from {least} to {most}")
    return value


def _number(keys, key):
    value = keys.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not EARLIEST <= value <= LATEST:
        raise Refused("range", f"its {key} is no time")
    return float(value)


def _twelve(keys, key):
    values = _typed(keys, key, list, "a list of twelve percentages")
    if len(values) != 12:
        raise Refused("range", f"its {key} are not twelve")
    return tuple(_whole({key: value}, key, 0, 200) for value in values)


def _time(keys, key):
    text = _typed(keys, key, str, "a time")
    try:
        moment = datetime.fromisoformat(text[:64])
        if moment.tzinfo is None:
            raise ValueError(text)
        seconds = (moment - datetime(1970, 1, 1, tzinfo=timezone.utc)).total_seconds()
        return _number({key: seconds}, key)
    except (ValueError, OverflowError):
        raise Refused("time", f"its {key} is not a time with its zone, as 2027-06-01T20:00:00Z") from None
