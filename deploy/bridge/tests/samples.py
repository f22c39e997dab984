"""Made-up messages, times and rules that the tests share."""

import json
import os
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from thirst_bridge.core import Core, Now, Rules

SITE, CONTROLLER = "heron-bend", "relay"
RULES = Rules(kind="relay", site=SITE, controller=CONTROLLER, instance="thirstd", zone=ZoneInfo("UTC"))


def wall(text):
    """Seconds since 1970 of a time as 2027-06-01T20:00:00Z."""
    return datetime.fromisoformat(text).timestamp()


def at(text, uptime=1000.0):
    return Now(wall(text), uptime)


def told(allowed=True, pair=(1, 5), issued="2027-06-01T12:00:00Z", until="2027-06-02T14:00:00Z", **more):
    """An instruction as thirstd sends it."""
    keys = {
        "schema": "thirst/instruction/1",
        "site": SITE,
        "controller": CONTROLLER,
        "epoch": pair[0],
        "sequence": pair[1],
        "issued_at": issued,
        "valid_until": until,
        "capability": "hold",
        "water_allowed": allowed,
        "text": "Water may run." if allowed else "No water. Held: lawn (rain).",
        **more,
    }
    return json.dumps({key: value for key, value in keys.items() if value is not ...}).encode()


def table(percents=range(10, 130, 10), frost=(11, 12, 1, 2, 3), pair=(1, 2), issued="2027-06-01T12:00:00Z", **more):
    """A fallback as thirstd sends it."""
    keys = {
        "schema": "thirst/fallback/1",
        "site": SITE,
        "epoch": pair[0],
        "sequence": pair[1],
        "issued_at": issued,
        "percents": list(percents),
        "frost_months": list(frost),
        "text": "The percentage of the month.",
        **more,
    }
    return json.dumps(keys).encode()


def status(state="online", reason=None):
    """A daemon status as thirstd or its will sends it."""
    keys = {"schema": "thirst/daemon/1", "instance": "thirstd", "state": state, "version": "0.1.0", "epoch": 1}
    keys["since"] = "2027-06-01T12:00:00Z"
    return json.dumps(keys | ({"reason": reason} if reason else {})).encode()


def core(started=0.0, **rules):
    """A core that started long before the uptime of `at`."""
    return Core(replace(RULES, **rules), Now(wall("2027-06-01T11:00:00Z"), started))


def keep_report(report):
    """Whoever set THIRST_REPORTS wants to hold every report against the schema."""
    path = os.environ.get("THIRST_REPORTS")
    if path and report is not None:
        with open(path, "a", encoding="utf-8") as file:
            file.write(json.dumps(report) + "\n")
