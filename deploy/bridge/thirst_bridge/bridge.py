"""The loop: messages into the core, what is wanted into the output, the state into its file, reports to the daemon."""

import json
import time
from dataclasses import replace

from . import outputs, payloads
from .actuator import Actuator, Reports
from .broker import Link
from .core import REPEATED_WORD, Core, Now
from .feedback import Feedback
from .memory import Memory
from .outputs import Failed
from .payloads import Refused

LAST_WORDS = 5.0  # s for the last messages of a bridge that ends; our choice


def clock():
    """The only look at a clock that decides anything."""
    return Now(time.time(), time.monotonic())


class Bridge:
    """One controller's bridge. `say(level, text)` writes a line of the log."""

    def __init__(self, settings, say, dry=False):
        if dry:
            # It may run beside the bridge that does the work: no file, no report, a name of its own at the broker.
            settings = replace(settings, state_file=None, broker=settings.broker.named("-dry"))
        rules = settings.rules
        self.settings, self._say, self._dry = settings, say, dry
        # First of all: a line stands at its level without power before anything else can go wrong.
        self.output = outputs.Dry() if dry else outputs.open_output(settings, self._publish)
        self.core = Core(rules, clock())
        self.actuator = Actuator(rules.kind, settings.between_changes, settings.repeat_every)
        self.reports = Reports(rules.controller, rules.kind, settings.report_every)
        self.feedback = Feedback(group for group, *_ in settings.runs)
        self.memory = Memory(settings.state_file)
        self._said = {}
        self._connections = 0
        self._report_topic = settings.topic("site", rules.site, "report", rules.controller)
        self._hearers = self._routes()
        self.link = Link(settings.broker, list(self._hearers), self._hear, say)

    def _routes(self):
        settings, rules, core = self.settings, self.settings.rules, self.core
        routes = {
            settings.topic("site", rules.site, "instruction", rules.controller): core.hear_instruction,
            settings.topic("site", rules.site, "fallback"): core.hear_fallback,
            settings.topic("daemon", rules.instance): core.hear_daemon,
        }
        if settings.flow:
            routes.setdefault(settings.flow["topic"], self._hear_flow)
        for _, topic, *_ in settings.runs:
            routes.setdefault(topic, lambda now, payload, topic=topic: self._hear_runs(now, topic, payload))
        return routes

    def begin(self):
        """Takes up what was known before. Raises memory.Busy, OSError."""
        self.memory.lock()
        try:
            saved = self.memory.read()
        except (OSError, ValueError) as fault:
            self._say("WARN", f"The state file {self.memory.path} cannot be read ({fault}); the bridge begins anew.")
            return
        rules = self.settings.rules
        if not saved:
            return
        if (saved.get("site"), saved.get("controller")) != (rules.site, rules.controller):
            self._say(
                "WARN", f"The state file {self.memory.path} belongs to another controller; the bridge begins anew."
            )
            return
        self._lines(self.core.restore(clock(), saved))
        self.feedback.restore(saved.get("feedback"))

    def step(self, wait=1.0):
        """One turn of the loop, about `wait` seconds long."""
        self.link.step(wait)
        self.tick()

    def tick(self):
        """Sets, saves and reports what is due now."""
        now = clock()
        if self._connections != self.link.connections:
            self._connections = self.link.connections
            self.reports.again()
            if self.settings.output == "mqtt":
                self.actuator.again()
        self._set(now, self.core.decide(now))
        self._save(now)
        self._report(now)

    def stop(self):
        """Leaves what on_stop says, and tells so."""
        now = clock()
        self.core.end_test()
        wanted = self.core.stopped(now, self.settings.on_stop, self.settings.without_power)
        if wanted is None:
            self._say("INFO", "Stopped: the output stays as it is.")
        else:
            self._set(now, wanted)
            self._report(now)
        self.close()

    def close(self):
        """Hands over the last messages and lets go of everything."""
        self._save(clock())
        told = self.link.flush(LAST_WORDS)
        self.link.close()
        self.output.close()
        self.memory.close()
        return told

    def _hear(self, topic, payload):
        hearer = self._hearers.get(topic)
        if hearer is not None:
            self._lines(hearer(clock(), payload))

    def _hear_flow(self, now, payload):
        own = self.settings.flow
        try:
            self.feedback.hear_flow(now, payloads.flow(payload, own["pointer"]) * own["factor"])
        except Refused as fault:
            self._hourly(now, "flow", f"A message on the topic of the flow was ignored: {fault}.")

    def _hear_runs(self, now, topic, payload):
        for group, own, on, off in self.settings.runs:
            if own == topic and payload in (on.encode(), off.encode()):
                self.feedback.hear_run(now, group, payload == on.encode())
            elif own == topic:
                self._hourly(now, "runs", f"A message on {topic} is neither {on} nor {off}: it was ignored.")

    def _set(self, now, wanted):
        due, lines = self.actuator.want(now, wanted)
        self._lines(lines)
        if not due:
            return
        try:
            self.output.set(wanted.value)
        except Failed as fault:
            self._lines(self.actuator.failed(now, str(fault)))
        else:
            self._lines(self.actuator.done(now))

    def _save(self, now):
        rules = self.settings.rules
        saved = {"format": 1, "site": rules.site, "controller": rules.controller, **self.core.saved()}
        saved["feedback"] = self.feedback.saved()
        try:
            self.memory.write(saved)
        except OSError as fault:
            text = f"The state file {self.memory.path} cannot be written: {fault.strerror or fault}."
            self._hourly(now, "memory", text)

    def _report(self, now):
        if not self.link.ready or self._dry:
            return
        report = self.reports.due(now, self.actuator, self.feedback)
        if report is None:
            return
        runs = report.get("runs", [])
        try:
            self.link.publish(self._report_topic, json.dumps(report), delivered=lambda: self.feedback.delivered(runs))
        except Failed:
            self.reports.again()

    def _publish(self, topic, payload, retain):
        self.link.publish(topic, payload, retain)

    def _hourly(self, now, cause, text):
        said = self._said.get(cause)
        if said is None or REPEATED_WORD <= now.uptime - said:
            self._said[cause] = now.uptime
            self._say("WARN", text)

    def _lines(self, lines):
        for line in lines or []:
            self._say(line.level, line.text)
