"""The files as they ship, and faults: each with key, value and what to write instead."""

import os
import tempfile
import tomllib
import unittest

from thirst_bridge import settings

HERE = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))

RELAY = {
    "kind": "relay",
    "site": "oak",
    "controller": "relay",
    "contact": {"command": {"allowed": ["a"], "interrupted": ["b"]}},
}
PERCENT = {
    "kind": "percent",
    "site": "oak",
    "controller": "valves",
    "percent": {"percent_when_unknown": 50, "mqtt": {"topic": "garden/set"}},
}


def changed(base, path, value):
    """`base` with `value` at the dotted `path`; ... takes the key away."""
    first, _, rest = path.partition(".")
    copy = dict(base)
    if rest:
        copy[first] = changed(copy.get(first, {}), rest, value)
    elif value is ...:
        del copy[first]
    else:
        copy[first] = value
    return copy


def shipped(name):
    with open(os.path.join(HERE, name), encoding="utf-8") as file:
        return file.read()


class Shipped(unittest.TestCase):
    def test_the_samples_load_as_they_are(self):
        relay = settings.load(os.path.join(HERE, "relay.toml"))
        self.assertEqual((relay.output, relay.without_power, relay.on_stop), ("gpio", True, "power_loss"))
        percent = settings.load(os.path.join(HERE, "percent.toml"))
        self.assertEqual((percent.rules.follows, percent.rules.groups), ("percents", ("lawn", "beds")))

    def test_every_default_in_the_samples_is_the_default_and_every_key_is_shown(self):
        for name in ("relay.toml", "percent.toml"):
            text = shipped(name)
            plain = settings.read(tomllib.loads(text))
            # Uncomment the keys, not the other outputs and tables.
            lines = [line.removeprefix("#") for line in text.splitlines()]
            keys = [line.split("=")[0].strip() for line in lines if "=" in line and not line.startswith(" ")]
            optional = (
                "instance",
                "prefix",
                "offline_after_minutes",
                "report_every_minutes",
                "when_unknown",
                "months_while_held",
                "least_minutes_between_changes",
                "on_stop",
                "repeat_every_minutes",
                "chip",
            )
            full = "\n".join(
                line.removeprefix("#") if line.removeprefix("#").split("=")[0].strip() in optional else line
                for line in text.splitlines()
            )
            self.assertEqual(settings.read(tomllib.loads(full)), plain, name)
            table = "contact" if name == "relay.toml" else "percent"
            base = RELAY if name == "relay.toml" else PERCENT
            with self.assertRaises(settings.Faults) as caught:
                settings.read(changed(base, f"{table}.zzzzzzzz", 1))
            known = str(caught.exception).split("known here: ")[1].split(", ")
            for key in known:
                self.assertTrue(key in keys or f"[{table}.{key}]" in text, f"{name} does not show {key}")


class Faults(unittest.TestCase):
    def check(self, base, path, value, *words):
        with self.assertRaises(settings.Faults) as caught:
            settings.read(changed(base, path, value), "x.toml")
        for word in words:
            self.assertIn(word, str(caught.exception))
        for line in str(caught.exception).splitlines():
            self.assertTrue(line.startswith("x.toml: "), line)

    def test_each_fault_names_its_key_and_what_to_write(self):
        for path, value, words in (
            ("kind", "rely", 'kind = "rely": write "relay" or "percent"'),
            ("kind", ..., 'kind is missing: write "relay" or "percent"'),
            ("site", "Oak", 'site = "Oak": write lowercase letters'),
            ("site", ..., "site is missing"),
            ("controler", "relay", "controler: this key is not known; did you mean controller?"),
            ("contact.energised", "x", "contact.energised: this key is not known; did you mean energized?"),
            ("contact.energized", "on", 'write "watering interrupted" or "watering allowed"'),
            ("contact.frost_months", [0], "write months from 1 (January) to 12"),
            ("contact.frost_months", [True], "write months"),
            ("contact.least_minutes_between_changes", 5, "= 5: write a number from 0 to 4"),
            ("contact.command.allowed", "relay on", "write a list with the program and its arguments"),
            ("contact.command.allowed", [], "no shell reads it"),
            ("contact.command.time_limit_seconds", 0, "write a number from 0.1 to 60"),
            ("contact.mqtt", {"topic": "a"}, "command and mqtt: write only one"),
            ("contact.command", ..., "write one of [contact.gpio] or [contact.command] or [contact.mqtt]"),
            ("offline_after_minutes", "10", 'offline_after_minutes = "10": write a number from 0 to 1440'),
            ("offline_after_minutes", True, "write a number from 0 to 1440"),
            ("offline_after_minutes", float("nan"), "write a number from 0 to 1440"),
            ("prefix", "thirst/#", "write topic levels without + and #"),
            ("zone", "Denver", "is not known here"),
            ("zone", "../etc", "is not known here"),
            ("broker", 3, "write a table [broker]"),
            ("broker.port", 70000, "write a whole number from 1 to 65535"),
            ("broker.password_file", "/nowhere/at/all", "cannot be read: No such file"),
            ("broker.tls", {"ca_file": "/nowhere/at/all"}, "broker.tls.ca_file"),
            ("broker.tls", {"cert_file": HERE + "/relay.toml"}, "cert_file and key_file belong together"),
            ("feedback.flow", {"topic": "a", "pointer": "flow"}, "write a JSON pointer"),
            ("feedback.runs", [{"group": "lawn"}], "feedback.runs[0].topic is missing"),
            ("feedback.runs", [3], "write tables [[feedback.runs]]"),
        ):
            self.check(RELAY, path, value, words)
        for path, value, words in (
            (
                "percent.percent_when_unknown",
                ...,
                "percent_when_unknown is missing: write a whole number from 0 to 200",
            ),
            ("percent.groups", ["lawn"], "leave it out, or write follows"),
            ("percent.follows", "percents", "name the groups"),
            ("percent.mqtt.payload", "full", "{percent} must stand in it"),
            ("percent.mqtt.topic", "a/+", "write a topic without + and #"),
            ("percent.gpio", {"line": 3}, "percent.gpio: this key is not known"),
        ):
            self.check(PERCENT, path, value, words)

    def test_all_faults_are_told_at_once(self):
        broken = changed(changed(RELAY, "site", 3), "contact.on_stop", "x")
        with self.assertRaises(settings.Faults) as caught:
            settings.read(broken)
        self.assertEqual(len(str(caught.exception).splitlines()), 2)

    def test_a_file_that_is_no_toml_is_refused(self):
        for content in (b"kind = ", b"\xff", b"a = " + b"[" * 5000):
            with tempfile.NamedTemporaryFile(suffix=".toml") as file:
                file.write(content)
                file.flush()
                with self.assertRaises(settings.Faults) as caught:
                    settings.load(file.name)
                self.assertIn("not TOML", str(caught.exception))

    def test_a_password_is_read_from_its_file_and_shown_nowhere(self):
        with tempfile.NamedTemporaryFile("w") as file:
            file.write("secret-word\n")
            file.flush()
            broker = {"user": "bridge", "password_file": file.name}
            read = settings.read({**RELAY, "broker": broker})
        self.assertEqual(read.broker.password, "secret-word")
        self.assertNotIn("secret-word", repr(read))
