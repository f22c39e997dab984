"""When what is wanted is put into force, and what is reported. No input, output or clock here either."""

from datetime import datetime, timezone

from .core import BUILT, Line, describe, duration, sentence, small
from .payloads import plain

RETRY = 10.0  # s after an output that failed; our choice
FLOWS = 0.5  # l/min; less is a dripping meter, as the daemon judges


class Actuator:
    """One output: what it was set to, when it may change, when it is due again."""

    def __init__(self, kind, between_changes, repeat_every):
        self.kind = kind
        self.value = None  # as last put into force; None: not yet
        self.wanted = None
        self._between = between_changes
        self._repeat = repeat_every  # 0: never
        self._changed = None
        self._told = None
        self._retry = None
        self._logged = None
        self._waits = False
        self._again = False
        self.fault = None

    def again(self):
        """What is set may not have arrived: the output is due once more."""
        self._again = True

    def want(self, now, wanted):
        """Takes up what is wanted; true where the output has to be set now, and then `done` or `failed` follows."""
        before, self.wanted = self.wanted, wanted
        if wanted.basis == "starting":
            return False, []
        if self._retry is not None and now.uptime < self._retry and not (before and before.value != wanted.value):
            return False, []
        if self.value == wanted.value and self.fault is None:
            self._waits = False
            due = self._again or bool(self._repeat) and self._repeat <= now.uptime - self._told
            return due, [] if due else self._news()
        since = None if self._changed is None else now.uptime - self._changed
        # A hold acts at once, and so does the end of a test: an installer stands beside it.
        tested = before is not None and before.basis == "test" and wanted.basis != "test"
        if self.kind == "relay" and wanted.allowed and since is not None and since < self._between and not tested:
            if self._waits:
                return False, []
            self._waits = True
            rest = duration(max(1, round(self._between - since)))
            return False, [
                Line("INFO", f"The contact changed a moment ago: it waits {rest} before it allows watering.")
            ]
        self._waits = False
        return True, []

    def done(self, now):
        """The output was set to what is wanted."""
        lines = [Line("INFO", "The output works again.")] if self.fault else []
        if self.value != self.wanted.value:
            self._changed = now.uptime
        self.value, self._told, self._retry, self.fault = self.wanted.value, now.uptime, None, None
        self._again = False
        return lines + self._news()

    def failed(self, now, fault):
        """The output could not be set: where it stands is not known, and it is tried again."""
        new = self.fault != fault
        self.value, self.fault, self._retry = None, fault, now.uptime + RETRY
        should = small(describe(self.kind, self.wanted.value))
        text = f"It should be that {should}, but the output could not be set: {sentence(fault)}"
        return [Line("WARN", f"{text} It is tried again.")] if new else []

    def _news(self):
        """The line on a state that is new, once what is wanted stands."""
        wanted = self.wanted
        key = (wanted.basis, wanted.value)
        if key == self._logged:
            return []
        self._logged = key
        level = "WARN" if wanted.basis in ("fallback", "unknown") else "INFO"
        return [Line(level, f"{describe(self.kind, wanted.value)}: {sentence(wanted.reason)}")]


class Reports:
    """What is said to the daemon, and when: at once after a change, and again every so often."""

    def __init__(self, controller, kind, every):
        self._controller = controller
        self._kind = kind
        self._every = every
        self._last = None
        self._at = None
        self._runs = []

    def due(self, now, actuator, feedback):
        """The report to send now, or None."""
        report = self.report(now, actuator, feedback)
        if report is None:
            return None
        flow = report.get("flow_liters_per_minute")
        key = {
            name: value for name, value in report.items() if name in ("in_force", "water_allowed", "percent", "note")
        }
        key["flows"] = flow is not None and FLOWS < flow
        runs = report.get("runs", [])
        news = key != self._last or any(run not in self._runs for run in runs)
        if not news and now.uptime - self._at < self._every:
            return None
        self._runs = runs
        self._last, self._at = key, now.uptime
        return report

    def report(self, now, actuator, feedback):
        """The report as it stands: `thirst/report/1`; None before anything is known."""
        wanted, value = actuator.wanted, actuator.value
        if wanted is None or wanted.basis == "starting":
            return None
        report = {"schema": "thirst/report/1", "controller": self._controller}
        if BUILT <= now.wall:
            report["at"] = stamp(now.wall)
        stands = value is not None and value == wanted.value
        if stands and wanted.pair is not None:
            report["in_force"] = {"epoch": wanted.pair[0], "sequence": wanted.pair[1]}
        if value is not None:
            report["water_allowed"] = value if self._kind == "relay" else _waters(value)
            if self._kind == "percent" and len(value) == 1:
                report["percent"] = value[0][1]
        if actuator.fault:
            note = f"The output could not be set: {sentence(actuator.fault)}"
        elif not stands:
            note = "The contact changed a moment ago and waits before it changes again."
        else:
            note = f"{describe(self._kind, value)}: {sentence(wanted.reason)}"
        report["note"] = plain(note, 500)
        flow = feedback.flow(now)
        if flow is not None:
            report["flow_liters_per_minute"] = flow
        runs = feedback.finished()
        if runs:
            report["runs"] = runs
        return report

    def again(self):
        """The next report is due at once: the last one may be lost."""
        self._last = None


def stamp(wall):
    """RFC 3339, UTC, whole seconds."""
    return datetime.fromtimestamp(int(wall), timezone.utc).isoformat().replace("+00:00", "Z")


def _waters(value):
    return any((part if isinstance(part, int) else part[1]) > 0 for part in value)
