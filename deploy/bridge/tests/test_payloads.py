"""Hostile and broken payloads: each is refused with a reason, none gets further, none is said twice an hour."""

import json
import unittest

from thirst_bridge import payloads
from thirst_bridge.payloads import Refused

from .samples import CONTROLLER, SITE, at, core, status, table, told

BROKEN = (
    b"\x00",
    b"\xff\xfe",
    b"not json",
    b"{",
    b"[]",
    b"null",
    b"NaN",
    b'"text"',
    b"1e999",
    b"9" * 5000,
    b"[" * 60_000,
    b'{"a":' * 10_000,
    b" " * 1_000_000,
    b"{}",
)


class Payloads(unittest.TestCase):
    def test_no_broken_payload_changes_anything_and_each_cause_is_said_once_an_hour(self):
        subject = core()
        hearers = (
            (subject.hear_instruction, told()),
            (subject.hear_fallback, table()),
            (subject.hear_daemon, status()),
        )
        for hear, good in hearers:
            hear(at("2027-06-01T12:00:00Z"), good)
            wrong = [payload for payload in broken_forms(json.loads(good))]
            before = subject.decide(at("2027-06-01T12:00:00Z")), subject.fallback
            lines = [line for payload in (*BROKEN, *wrong) for line in hear(at("2027-06-01T12:00:00Z"), payload)]
            self.assertEqual((subject.decide(at("2027-06-01T12:00:00Z")), subject.fallback), before)
            self.assertLess(0, len(lines))
            self.assertLessEqual(len(lines), 8)
            for line in lines:
                self.assertEqual(line.level, "WARN")
                self.assertLess(len(line.text), 300)
            again = [line for payload in (*BROKEN, *wrong) for line in hear(at("2027-06-01T12:30:00Z", 2800), payload)]
            self.assertEqual(again, [])

    def test_every_wrong_key_of_an_instruction_is_named(self):
        for more, words in (
            ({"site": "mill-terrace"}, "site is not heron-bend"),
            ({"controller": "other"}, "controller is not relay"),
            ({"schema": "thirst/instruction/2"}, "schema is not thirst/instruction/1"),
            ({"water_allowed": 1}, "water_allowed is not true or false"),
            ({"water_allowed": "true"}, "water_allowed is not true or false"),
            ({"water_allowed": ...}, "water_allowed is not true or false"),
            ({"epoch": True}, "epoch is no whole number"),
            ({"epoch": 1.0}, "epoch is no whole number"),
            ({"sequence": -1}, "sequence is no whole number"),
            ({"sequence": 2**64}, "sequence is no whole number"),
            ({"valid_until": "2027-06-01T12:00:00"}, "valid_until is not a time with its zone"),
            ({"valid_until": "0001-01-01T00:00:00+14:00"}, "valid_until is no"),
            ({"valid_until": "9999-12-31T23:59:59-14:00"}, "valid_until is no"),
            ({"valid_until": 1}, "valid_until is not a time"),
            ({"issued_at": "yesterday"}, "issued_at is not a time"),
            ({"percent": 201}, "percent is no whole number from 0 to 200"),
            ({"percent": 80.5}, "percent is no whole number"),
            ({"percents": {"Lawn": 3}}, "percents are not"),
            ({"percents": {"lawn": "3"}}, "lawn is no whole number"),
            ({"percents": [3]}, "percents are not"),
            ({"months": [1] * 11}, "months are not twelve"),
            ({"months": [1] * 11 + [None]}, "months is no whole number"),
            ({"text": None}, "text is not text"),
        ):
            with self.assertRaises(Refused) as caught:
                payloads.instruction(told(**more), SITE, CONTROLLER)
            self.assertIn(words, str(caught.exception), more)

    def test_unknown_keys_are_left_alone_because_keys_may_be_added(self):
        self.assertTrue(payloads.instruction(told(brand_new=[1]), SITE, CONTROLLER).water_allowed)

    def test_text_becomes_one_short_line(self):
        text = payloads.instruction(told(text="a\n\x1b[31mb\x00" + "x" * 5000), SITE, CONTROLLER).text
        self.assertTrue(text.startswith("a [31mb x"), text[:20])
        self.assertEqual(len(text), 300)

    def test_a_flow_is_a_finite_number_that_is_not_below_zero(self):
        for payload, pointer, expected in (
            (b"12.5", "", 12.5),
            (b"0", "", 0.0),
            (b'{"flow": {"now": 3}}', "/flow/now", 3.0),
            (b"-1", "", None),
            (b"NaN", "", None),
            (b"1e999", "", None),
            (b"true", "", None),
            (b'"3"', "", None),
            (b"1" + b"0" * 400, "", None),
            (b"{}", "/flow", None),
            (b"[]", "/flow", None),
        ):
            if expected is None:
                with self.assertRaises(Refused):
                    payloads.flow(payload, pointer)
            else:
                self.assertEqual(payloads.flow(payload, pointer), expected)


def broken_forms(keys):
    """The same message with each key wrong or away."""
    for key in keys:
        for wrong in (None, [], {}, -1, 1.5, True, "x", 10**400, [[]]):
            if isinstance(keys[key], str) and wrong == "x" and key in ("text", "version", "since", "reason"):
                continue
            if key in ("text", "version", "since", "epoch") and keys["schema"] != "thirst/instruction/1":
                continue  # not read
            if key in ("percents", "capability") and keys["schema"] == "thirst/instruction/1":
                continue
            if type(wrong) is type(keys[key]) and wrong in (True, []):
                continue  # that would be right
            yield json.dumps({**keys, key: wrong}).encode()
