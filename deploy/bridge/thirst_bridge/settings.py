"""The file of one bridge: TOML, unknown keys are errors, every fault at once and with what to write instead."""

import difflib
import tomllib
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

from .core import Rules
from .payloads import ID, plain


class Faults(Exception):
    """All that is wrong in a file, a line for each."""


@dataclass(frozen=True)
class Broker:
    host: str
    port: int
    client_id: str
    user: str | None
    password: str | None = field(repr=False)
    tls: dict | None

    def named(self, suffix):
        """The same for a second connection beside the first."""
        return replace(self, client_id=self.client_id + suffix)


@dataclass(frozen=True)
class Settings:
    """One bridge. Durations in seconds."""

    rules: Rules
    broker: Broker
    prefix: str
    state_file: str | None
    between_changes: float
    repeat_every: float
    report_every: float
    on_stop: str
    energized: str
    output: str  # gpio, command or mqtt
    output_settings: dict
    flow: dict | None
    runs: tuple

    @property
    def without_power(self):
        """Whether watering is allowed when the relay has no power."""
        return self.energized == "watering interrupted"

    def topic(self, *levels):
        return "/".join((self.prefix, *levels))


def load(path):
    """Reads the file. Raises Faults, OSError."""
    with open(path, "rb") as file:
        text = file.read(1 << 20)
    try:
        return read(tomllib.loads(text.decode("utf-8")), path)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as fault:
        raise Faults(f"{path}: not TOML: {fault}") from None


def read(top, path="the file"):
    """Settings from a parsed file. Raises Faults."""
    faults = []
    table = _Table(top, "", faults, path)
    kind = table.choice("kind", ("relay", "percent"))
    if kind is None:
        raise Faults("\n".join(faults))
    site, controller = table.id("site"), table.id("controller")
    instance = table.id("instance", "thirstd")
    prefix = table.text("prefix", "thirst/v1")
    if prefix is not None and (not prefix or any(c in prefix for c in "+#") or prefix.strip("/") != prefix):
        table.fault("prefix", 'write topic levels without + and #, as "thirst/v1"')
    zone = _zone(table)
    state_file = table.text("state_file", None)
    common = {
        "offline_after": table.minutes("offline_after_minutes", 10, 0, 1440),
    }
    report_every = table.minutes("report_every_minutes", 15, 0.05, 720)
    broker = _broker(table.table("broker", {}), f"thirst-bridge-{site}-{controller}")
    between, energized = 0.0, "watering interrupted"
    if kind == "relay":
        contact = table.table("contact")
        energized = contact.choice("energized", ("watering interrupted", "watering allowed"), energized)
        unknown = ("allowed_outside_frost_months", "held", "allowed")
        common["when_unknown"] = contact.choice("when_unknown", unknown, unknown[0])
        common["frost_months"] = frozenset(contact.months("frost_months"))
        # At most 4: an instruction is to be in force, and reported, within 5 minutes.
        between = contact.minutes("least_minutes_between_changes", 2, 0, 4)
        on_stop = contact.choice("on_stop", ("power_loss", "unchanged"), "power_loss")
        repeat = contact.minutes("repeat_every_minutes", 60, 0, 1440)
        output, output_settings = _output(contact, _relay_outputs)
        contact.end()
    else:
        percent = table.table("percent")
        common["follows"] = percent.choice("follows", ("percent", "percents", "months"), "percent")
        common["groups"] = tuple(percent.ids("groups"))
        per_group = common["follows"] == "percents"
        if per_group != bool(common["groups"]):
            text = (
                "name the groups whose percentages are handed over"
                if per_group
                else 'leave it out, or write follows = "percents"'
            )
            percent.fault("groups", text)
        common["percent_when_unknown"] = percent.number("percent_when_unknown", None, 0, 200, whole=True)
        common["months_while_held"] = percent.choice("months_while_held", ("zero", "unchanged"), "zero")
        on_stop = percent.choice("on_stop", ("fallback", "unchanged"), "fallback")
        repeat = percent.minutes("repeat_every_minutes", 360, 0, 1440)
        output, output_settings = _output(percent, lambda table: _percent_outputs(table, common["follows"]))
        percent.end()
    flow, runs = _feedback(table.table("feedback", {}))
    table.end()
    if faults:
        raise Faults("\n".join(faults))
    rules = Rules(kind=kind, site=site, controller=controller, instance=instance, zone=zone, **common)
    return Settings(
        rules,
        broker,
        prefix,
        state_file,
        between,
        repeat,
        report_every,
        on_stop,
        energized,
        output,
        output_settings,
        flow,
        runs,
    )


def _zone(table):
    name = table.text("zone", None)
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except Exception:  # the module raises several kinds for names that are none
        table.fault(
            "zone", 'is not known here; write a name as "America/Denver", or leave it out for the zone of this machine'
        )
        return None


def _broker(table, client_id):
    host = table.text("host", "localhost")
    tls = table.table("tls", {}) if "tls" in table.values else None
    port = table.number("port", 8883 if tls else 1883, 1, 65535, whole=True)
    user, password_file = table.text("user", None), table.text("password_file", None)
    client_id = table.text("client_id", client_id)
    password = None
    if password_file is not None:
        if user is None:
            table.fault("password_file", "a password needs a user beside it")
        try:
            with open(password_file, encoding="utf-8") as file:
                password = file.read(4096).rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as fault:
            table.fault("password_file", f"cannot be read: {getattr(fault, 'strerror', None) or 'it is not UTF-8'}")
    files = None
    if tls:
        files = {name: tls.text(name, None) for name in ("ca_file", "cert_file", "key_file")}
        if (files["cert_file"] is None) != (files["key_file"] is None):
            tls.fault("cert_file", "cert_file and key_file belong together")
        for name, file in files.items():
            if file is not None:
                try:
                    open(file, "rb").close()
                except OSError as fault:
                    tls.fault(name, f"cannot be read: {fault.strerror}")
        tls.end()
    table.end()
    return Broker(host, port, client_id, user, password, files)


def _output(table, outputs):
    known = outputs(None)
    table.seen.update(known)
    given = [name for name in known if name in table.values]
    if len(given) != 1:
        choices = " or ".join(f"[{table.path}{name}]" for name in known)
        table.fault(
            "", f"write one of {choices}" if not given else f"{' and '.join(given)}: write only one of {choices}"
        )
        return None, {}
    output = table.table(given[0])
    settings = outputs(output)[given[0]]()
    output.end()
    return given[0], settings


def _relay_outputs(table):
    return {
        "gpio": lambda: {
            "chip": table.text("chip", "/dev/gpiochip0"),
            "line": table.number("line", None, 0, 1023, whole=True),
            "energized_level": table.choice("energized_level", ("high", "low")),
        },
        "command": lambda: {
            "allowed": table.argv("allowed"),
            "interrupted": table.argv("interrupted"),
            "time_limit": table.number("time_limit_seconds", 10, 0.1, 60),
        },
        "mqtt": lambda: {
            "topic": table.topic("topic"),
            "allowed": table.text("allowed"),
            "interrupted": table.text("interrupted"),
            "retain": table.flag("retain", False),
        },
    }


def _percent_outputs(table, follows):
    wanted = ["{months}"] if follows == "months" else ["{percent}"]
    per_group = ["{group}"] if follows == "percents" else []

    def template(key, texts, needed):
        missing = [name for name in needed if texts is not None and not any(name in text for text in texts)]
        if missing:
            table.fault(key, f"{' and '.join(missing)} must stand in it: it is filled in")

    def command():
        argv = table.argv("argv")
        template("argv", argv, wanted + per_group)
        return {"argv": argv, "time_limit": table.number("time_limit_seconds", 10, 0.1, 60)}

    def mqtt():
        topic, payload = table.topic("topic"), table.text("payload", wanted[0])
        template("payload", payload and [payload], wanted)
        template("topic", topic and [topic, payload or ""], per_group)
        return {"topic": topic, "payload": payload, "retain": table.flag("retain", False)}

    return {"command": command, "mqtt": mqtt}


def _feedback(table):
    flow = None
    if "flow" in table.values:
        inner = table.table("flow")
        pointer = inner.text("pointer", "")
        if pointer and not pointer.startswith("/"):
            inner.fault("pointer", 'write a JSON pointer, as "/flow", or leave it out where the payload is the number')
        flow = {
            "topic": inner.topic("topic"),
            "pointer": pointer,
            "factor": inner.number("liters_per_minute", 1.0, 1e-6, 1e6),
        }
        inner.end()
    runs = []
    for inner in table.tables("runs"):
        runs.append((inner.id("group"), inner.topic("topic"), inner.text("on", "ON"), inner.text("off", "OFF")))
        inner.end()
    table.end()
    return flow, tuple(runs)


class _Table:
    """A table of the file, with the keys that were asked for and the faults that were found."""

    def __init__(self, values, path, faults, file):
        self.values, self.path, self.faults, self.file = values, path, faults, file
        self.seen = set()

    def fault(self, key, text):
        where = f"{self.path}{key}".rstrip(".")
        value = self.values.get(key)
        seen = f" = {plain(_toml(value), 60)}" if key in self.values and not isinstance(value, (dict, list)) else ""
        self.faults.append(f"{self.file}: {where}{seen}: {text}" if where else f"{self.file}: {text}")

    def _take(self, key, default, kinds, write):
        self.seen.add(key)
        if key not in self.values:
            if default is _NEEDED:
                self.faults.append(f"{self.file}: {self.path}{key} is missing: write {write}")
                return None
            return default
        value = self.values[key]
        if not isinstance(value, kinds) or isinstance(value, bool) != (kinds is bool):
            self.fault(key, f"write {write}")
            return None
        return value

    def table(self, key, default=None):
        value = self._take(key, _NEEDED if default is None else default, dict, f"a table [{self.path}{key}]")
        return _Table(value or {}, f"{self.path}{key}.", self.faults if value is not None else [], self.file)

    def tables(self, key):
        value = self._take(key, [], list, f"tables [[{self.path}{key}]]") or []
        if not all(isinstance(one, dict) for one in value):
            self.fault(key, f"write tables [[{self.path}{key}]]")
            return []
        return [_Table(one, f"{self.path}{key}[{at}].", self.faults, self.file) for at, one in enumerate(value[:256])]

    def text(self, key, *default):
        return self._take(key, default[0] if default else _NEEDED, str, "text in quotes")

    def topic(self, key):
        topic = self.text(key)
        if topic is not None and (not topic or any(c in topic for c in "+#\0")):
            self.fault(key, "write a topic without + and #")
        return topic

    def flag(self, key, default):
        return self._take(key, default, bool, "true or false")

    def id(self, key, *default):
        write = "lowercase letters, digits and hyphens, at most 64, as thirstd names it"
        value = self._take(key, default[0] if default else _NEEDED, str, write)
        if value is not None and not ID.fullmatch(value):
            self.fault(key, f"write {write}")
        return value

    def ids(self, key):
        values = self._take(key, [], list, 'a list, as ["lawn", "beds"]') or []
        if not all(isinstance(value, str) and ID.fullmatch(value) for value in values) or len(set(values)) != len(
            values
        ):
            self.fault(key, 'write the ids of groups, each once, as ["lawn", "beds"]')
            return []
        return values

    def choice(self, key, known, *default):
        write = " or ".join(f'"{word}"' for word in known)
        value = self._take(key, default[0] if default else _NEEDED, str, write)
        if value is not None and value not in known:
            self.fault(key, f"write {write}")
        return value

    def number(self, key, default, least, most, whole=False):
        write = f"a{' whole' if whole else ''} number from {least:g} to {most:g}"
        value = self._take(key, _NEEDED if default is None else default, int if whole else (int, float), write)
        if value is not None and not least <= value <= most:
            self.fault(key, f"write {write}")
        return value

    def minutes(self, key, default, least, most):
        value = self.number(key, default, least, most)
        return None if value is None else value * 60.0

    def months(self, key):
        values = self._take(key, [], list, "a list of months from 1 to 12, as [11, 12, 1, 2, 3]") or []
        if not all(isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 12 for value in values):
            self.fault(key, "write months from 1 (January) to 12, as [11, 12, 1, 2, 3]")
            return []
        return values

    def argv(self, key):
        write = 'a list with the program and its arguments, as ["/usr/local/bin/relay", "on"]; no shell reads it'
        values = self._take(key, _NEEDED, list, write)
        if values is not None and not (
            values and values[0] and all(isinstance(v, str) and "\0" not in v for v in values)
        ):
            self.fault(key, f"write {write}")
            return None
        return values

    def end(self):
        """Every key that nobody asked for is a fault."""
        for key in self.values:
            if key not in self.seen:
                near = difflib.get_close_matches(key.lower(), self.seen, 1, 0.6)
                near = (
                    near or [known for known in sorted(self.seen) if len(key) > 2 and known.startswith(key.lower())][:1]
                )
                meant = f"did you mean {near[0]}?" if near else f"known here: {', '.join(sorted(self.seen))}"
                self.faults.append(f"{self.file}: {self.path}{plain(key, 60)}: this key is not known; {meant}")


def _toml(value):
    if isinstance(value, str):
        return f'"{value}"'
    return str(value).lower() if isinstance(value, bool) else str(value)


_NEEDED = object()
