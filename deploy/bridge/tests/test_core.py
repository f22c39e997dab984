"""What is wanted, case by case: validity, silence of the daemon, frost months, sequences, a clock that is wrong."""

import json
import unittest
from zoneinfo import ZoneInfo

from thirst_bridge.core import Now, duration

from .samples import at, core, status, table, told


def written(subject):
    """What stands in the state file."""
    return json.loads(json.dumps(subject.saved()))


class Relay(unittest.TestCase):
    def check(self, subject, now, basis, allowed, words=""):
        wanted = subject.decide(now)
        self.assertEqual((wanted.basis, wanted.value, wanted.allowed), (basis, allowed, allowed), wanted.reason)
        self.assertIn(words, wanted.reason)
        return wanted

    def test_an_instruction_is_followed_up_to_its_last_moment_and_the_fallback_after_it(self):
        for allowed in (True, False):
            subject = core()
            subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(allowed))
            subject.hear_fallback(at("2027-06-01T12:00:00Z"), table())
            for moment, basis, expected in (
                ("2027-06-01T12:00:00Z", "instruction", allowed),
                ("2027-06-02T13:59:59Z", "instruction", allowed),
                ("2027-06-02T14:00:00Z", "instruction", allowed),
                ("2027-06-02T14:00:01Z", "fallback", True),
                ("2027-10-31T23:59:59Z", "fallback", True),
                ("2027-11-01T00:00:00Z", "fallback", False),
                ("2028-03-31T23:59:59Z", "fallback", False),
                ("2028-04-01T00:00:00Z", "fallback", True),
            ):
                wanted = self.check(subject, at(moment), basis, expected)
                self.assertEqual(wanted.pair, (1, 5) if basis == "instruction" else None, moment)

    def test_the_month_is_that_of_the_site(self):
        denver = ZoneInfo("America/Denver")
        subject = core(zone=denver)
        subject.hear_fallback(at("2027-06-01T12:00:00Z", 0), table())
        self.check(subject, at("2027-11-01T05:59:59Z"), "fallback", True, "October is no frost month")
        self.check(subject, at("2027-11-01T06:00:00Z"), "fallback", False, "November is a frost month")

    def test_a_daemon_that_is_offline_counts_after_the_grace_and_not_before(self):
        for frost, expected in (((), True), ((6,), False)):
            subject = core(offline_after=600.0)
            subject.hear_fallback(at("2027-06-01T12:00:00Z"), table(frost=frost))
            subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(allowed=not expected))
            lines = subject.hear_daemon(at("2027-06-01T13:00:00Z", 2000), status("offline", "connection lost"))
            self.assertIn("offline (connection lost); what it said last counts for 10 minutes more", lines[0].text)
            self.check(subject, at("2027-06-01T13:09:59Z", 2599.9), "instruction", not expected)
            self.check(
                subject, at("2027-06-01T13:10:00Z", 2600), "fallback", expected, "offline for more than 10 minutes"
            )
            # Hearing it once more does not begin a new grace.
            self.assertEqual(subject.hear_daemon(at("2027-06-01T13:11:00Z", 2660), status("offline")), [])
            self.check(subject, at("2027-06-01T13:11:00Z", 2660), "fallback", expected)
            self.assertIn("online again", subject.hear_daemon(at("2027-06-01T13:12:00Z", 2720), status())[0].text)
            self.check(subject, at("2027-06-01T13:12:00Z", 2720), "instruction", not expected)

    def test_a_daemon_that_restarts_within_the_grace_changes_nothing(self):
        subject = core()
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(False))
        subject.hear_daemon(at("2027-06-01T13:00:00Z", 2000), status("offline"))
        subject.hear_daemon(at("2027-06-01T13:00:20Z", 2020), status("online"))
        self.check(subject, at("2027-06-01T13:30:00Z", 4000), "instruction", False)

    def test_with_nothing_ever_heard_the_settings_of_the_bridge_decide(self):
        for when, frost, moment, expected in (
            ("allowed_outside_frost_months", (), "2027-12-24T00:00:00Z", True),
            ("allowed_outside_frost_months", (12,), "2027-12-24T00:00:00Z", False),
            ("allowed_outside_frost_months", (12,), "2027-11-30T23:59:59Z", True),
            ("held", (), "2027-07-01T00:00:00Z", False),
            ("allowed", (12,), "2027-12-24T00:00:00Z", True),
        ):
            subject = core(when_unknown=when, frost_months=frozenset(frost))
            self.check(subject, at(moment), "unknown", expected)

    def test_a_bridge_that_has_just_started_waits_for_what_the_broker_keeps(self):
        subject = core(started=1000.0)
        self.check(subject, at("2027-06-01T12:00:00Z", 1009.9), "starting", True)
        self.check(subject, at("2027-06-01T12:00:00Z", 1010.0), "unknown", True)
        # The instruction follows on the heels of the first fallback.
        subject.hear_fallback(at("2027-06-01T12:00:00Z", 1100), table(frost=[6]))
        self.check(subject, at("2027-06-01T12:00:00Z", 1100.1), "starting", True)
        self.check(subject, at("2027-06-01T12:00:00Z", 1111), "fallback", False)

    def test_the_frost_months_of_the_daemon_come_before_those_of_the_file(self):
        subject = core(frost_months=frozenset({6}))
        self.check(subject, at("2027-06-01T12:00:00Z"), "unknown", False)
        subject.hear_fallback(at("2027-06-01T12:00:00Z", 0), table(frost=[1]))
        self.check(subject, at("2027-06-01T12:00:00Z"), "fallback", True)
        subject.hear_fallback(at("2027-06-01T12:00:00Z"), b"")
        self.check(subject, at("2027-06-01T12:00:00Z"), "unknown", False)

    def test_lower_pairs_are_ignored_and_said_once_an_hour(self):
        for pair, taken in (((1, 4), False), ((0, 99), False), ((1, 5), True), ((1, 6), True), ((2, 0), True)):
            subject = core()
            subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(True, (1, 5)))
            lines = subject.hear_instruction(at("2027-06-01T12:00:01Z"), told(False, pair))
            self.check(subject, at("2027-06-01T12:00:02Z"), "instruction", not taken)
            self.assertEqual(len(lines), 0 if taken else 1, pair)
        self.assertEqual(subject.hear_instruction(at("2027-06-01T12:00:03Z", 1001), told(pair=(1, 1)))[0].level, "WARN")
        self.assertEqual(subject.hear_instruction(at("2027-06-01T12:50:03Z", 4600), told(pair=(1, 1))), [])
        self.assertEqual(len(subject.hear_instruction(at("2027-06-01T13:50:03Z", 4601), told(pair=(1, 1)))), 1)

    def test_a_daemon_that_began_anew_at_a_lower_epoch_is_followed_once_the_old_word_has_run_out(self):
        subject = core()
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(True, (7, 900)))
        subject.hear_fallback(at("2027-06-01T12:00:00Z"), table(pair=(7, 901)))
        anew = told(False, (1, 3), "2027-06-02T14:30:00Z", "2027-06-03T16:30:00Z")
        subject.hear_instruction(at("2027-06-02T13:59:00Z"), anew)
        self.check(subject, at("2027-06-02T13:59:00Z"), "instruction", True)
        subject.hear_instruction(at("2027-06-02T14:31:00Z"), anew)
        self.check(subject, at("2027-06-02T14:31:00Z"), "instruction", False)
        subject.hear_fallback(at("2027-06-02T11:59:59Z"), table(pair=(1, 4), frost=[6], issued="2027-06-02T11:59:59Z"))
        self.assertNotIn(6, subject.fallback.frost_months)
        subject.hear_fallback(at("2027-06-02T12:00:00Z"), table(pair=(1, 4), frost=[6], issued="2027-06-02T12:00:00Z"))
        self.assertIn(6, subject.fallback.frost_months)

    def test_an_empty_payload_takes_the_instruction_and_its_pair_back(self):
        subject = core()
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(False, (9, 9)))
        self.assertIn("taken back", subject.hear_instruction(at("2027-06-01T12:00:00Z"), b"")[0].text)
        self.check(subject, at("2027-06-01T12:00:00Z"), "unknown", True, "no instruction stands")
        self.assertEqual(subject.hear_instruction(at("2027-06-01T12:00:00Z"), b""), [])
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(False, (1, 1)))
        self.check(subject, at("2027-06-01T12:00:00Z"), "instruction", False)

    def test_an_instruction_that_is_valid_for_ever_is_not_followed_for_ever(self):
        subject = core()
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(False, until="2199-01-01T00:00:00Z"))
        self.check(subject, at("2027-06-09T12:00:00Z"), "instruction", False)
        self.check(subject, at("2027-06-09T12:00:01Z"), "unknown", True)

    def test_with_a_wrong_clock_nothing_is_judged_and_the_month_is_that_of_the_instruction(self):
        for issued, frost, expected, words in (
            (None, (), True, "no frost months are known"),
            (None, (6,), False, "it may be a frost month"),
            ("2027-06-01T12:00:00Z", (6,), False, "June is a frost month"),
            ("2027-06-01T12:00:00Z", (7,), True, "June is no frost month"),
        ):
            for moment in ("1970-01-01T00:03:00Z", "2026-05-31T23:59:59Z"):
                subject = core(frost_months=frozenset(frost))
                if issued:
                    subject.hear_instruction(at(moment), told(not expected, issued=issued))
                wanted = self.check(subject, at(moment), "unknown", expected, words)
                self.assertIn(f"the clock of this machine says {moment[:4]}", wanted.reason)
                self.assertIsNone(wanted.pair)

    def test_a_clock_behind_the_instruction_is_wrong_and_ten_minutes_of_difference_are_none(self):
        subject = core()
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(False))
        self.check(subject, at("2027-06-01T11:50:00Z"), "instruction", False)
        self.check(
            subject, at("2027-06-01T11:49:59Z"), "unknown", True, "but the instruction was made at 2027-06-01 12:00 UTC"
        )
        self.check(subject, at("2026-06-01T00:00:00Z"), "unknown", True)

    def test_a_test_interrupts_whatever_stands_and_ends(self):
        subject = core()
        subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(True))
        subject.begin_test(at("2027-06-01T12:00:00Z", 2000), 120)
        self.check(subject, at("2027-06-01T12:01:59Z", 2119), "test", False)
        self.check(subject, at("2027-06-01T12:02:00Z", 2120), "instruction", True)
        subject.begin_test(at("2027-06-01T12:00:00Z", 3000), 120)
        subject.end_test()
        self.check(subject, at("2027-06-01T12:00:01Z", 3001), "instruction", True)

    def test_a_rebooted_bridge_knows_what_it_knew(self):
        before = core()
        before.hear_instruction(
            at("2027-11-01T12:00:00Z"), told(False, (3, 7), "2027-11-01T12:00:00Z", "2027-11-02T14:00:00Z")
        )
        before.hear_fallback(at("2027-11-01T12:00:00Z"), table())
        after = core(started=5.0)
        self.assertEqual(after.restore(at("2027-11-01T13:00:00Z", 5), written(before)), [])
        self.assertEqual(self.check(after, at("2027-11-01T13:00:00Z", 6), "instruction", False).pair, (3, 7))
        self.check(after, at("2027-11-02T14:00:01Z", 6), "fallback", False, "November is a frost month")
        self.assertEqual((after.instruction, after.fallback), (before.instruction, before.fallback))

    def test_the_grace_goes_on_over_a_restart_unless_the_clock_is_wrong(self):
        before = core()
        before.hear_fallback(at("2027-06-01T12:00:00Z", 0), table())
        before.hear_instruction(at("2027-06-01T12:00:00Z"), told(False))
        before.hear_daemon(at("2027-06-01T13:00:00Z"), status("offline"))
        for moment, basis in (("2027-06-01T13:09:00Z", "instruction"), ("2027-06-01T13:10:00Z", "fallback")):
            after = core(started=5.0)
            after.restore(at(moment, 5), written(before))
            self.assertEqual(after.decide(at(moment, 5)).basis, basis)
        after = core(started=5.0)
        after.restore(at("1970-01-01T00:00:00Z", 5), written(before))
        self.assertEqual(after.decide(at("2027-06-01T13:20:00Z", 604)).basis, "instruction")
        self.assertEqual(after.decide(at("2027-06-01T13:20:00Z", 605)).basis, "fallback")

    def test_a_broken_state_is_left_out_and_said(self):
        good = core()
        good.hear_fallback(at("2027-06-01T12:00:00Z"), table())
        for broken in ({"epoch": -1}, [], "x", 3, {"issued_at": 1e300}, {"epoch": 1, "sequence": 2, "issued_at": 3}):
            subject = core()
            lines = subject.restore(
                at("2027-06-01T12:00:00Z"), {**written(good), "instruction": broken, "offline_at": "x"}
            )
            self.assertEqual(len(lines), 1, broken)
            self.assertIsNone(subject.instruction)
            self.assertIsNotNone(subject.fallback)

    def test_a_stopped_relay_stands_as_without_power(self):
        subject = core()
        for without_power in (True, False):
            self.assertIs(subject.stopped(at("2027-06-01T12:00:00Z"), "power_loss", without_power).value, without_power)
        self.assertIsNone(subject.stopped(at("2027-06-01T12:00:00Z"), "unchanged", True))


class Percent(unittest.TestCase):
    def check(self, rules, more, basis, value, moment="2027-06-01T12:00:00Z", known=True, allowed=True):
        subject = core(kind="percent", percent_when_unknown=40, **rules)
        if known:
            subject.hear_fallback(at("2027-06-01T12:00:00Z", 0), table())
        if more is not None:
            subject.hear_instruction(at("2027-06-01T12:00:00Z"), told(allowed, **more))
        wanted = subject.decide(at(moment))
        self.assertEqual((wanted.basis, wanted.value), (basis, value), wanted.reason)
        return wanted

    def test_each_shape_is_handed_over_and_a_hold_is_zero_in_all(self):
        months = list(range(12))
        groups = {"follows": "percents", "groups": ("lawn", "beds")}
        for rules, more, value, held in (
            ({}, {"percent": 85}, ((None, 85),), ((None, 0),)),
            (
                groups,
                {"percents": {"beds": 30, "lawn": 70, "more": 9}},
                (("lawn", 70), ("beds", 30)),
                (("lawn", 0), ("beds", 0)),
            ),
            ({"follows": "months"}, {"months": months}, tuple(months), (0,) * 12),
            ({"follows": "months", "months_while_held": "unchanged"}, {"months": months}, tuple(months), tuple(months)),
        ):
            self.check(rules, more, "instruction", value)
            self.assertFalse(self.check(rules, more, "instruction", held, allowed=False).allowed)

    def test_without_a_valid_instruction_the_month_decides_and_never_the_last_value(self):
        late = "2027-07-15T12:00:00Z"
        self.check({}, {"percent": 150}, "fallback", ((None, 70),), late)
        groups = {"follows": "percents", "groups": ("lawn", "beds")}
        self.check(groups, {"percents": {"lawn": 90, "beds": 5}}, "fallback", (("lawn", 70), ("beds", 70)), late)
        self.check({"follows": "months"}, {"months": [100] * 12}, "fallback", tuple(range(10, 130, 10)), late)
        self.check({}, {"percent": 150}, "unknown", ((None, 40),), late, known=False)
        self.check({"follows": "months"}, None, "unknown", (40,) * 12, late, known=False)
        self.check({}, {"percent": 150}, "unknown", ((None, 40),), "1970-01-01T00:00:00Z")

    def test_an_instruction_in_another_shape_is_said_and_not_guessed(self):
        groups = {"follows": "percents", "groups": ("lawn", "beds")}
        for rules, more in (
            ({}, {"percents": {"lawn": 90}}),
            (groups, {"percents": {"lawn": 90}}),
            (groups, {"percent": 9}),
        ):
            wanted = self.check(rules, more, "fallback", core(kind="percent", **rules)._same(60))
            self.assertIn("the instruction does not give the percent", wanted.reason)
            self.assertIsNone(wanted.pair)
            # Nothing runs, whatever its shape.
            self.assertEqual(
                self.check(rules, more, "instruction", core(kind="percent", **rules)._same(0), allowed=False).allowed,
                False,
            )

    def test_a_stopped_setter_leaves_the_percentage_of_the_month(self):
        subject = core(kind="percent", percent_when_unknown=40)
        self.assertEqual(subject.stopped(at("2027-07-01T12:00:00Z"), "fallback", True).value, ((None, 40),))
        subject.hear_fallback(at("2027-06-01T12:00:00Z"), table())
        self.assertEqual(subject.stopped(at("2027-07-01T12:00:00Z"), "fallback", True).value, ((None, 70),))
        self.assertIsNone(subject.stopped(at("2027-07-01T12:00:00Z"), "unchanged", True))


class Words(unittest.TestCase):
    def test_durations_are_said_in_a_fitting_unit(self):
        for seconds, words in (
            (600, "10 minutes"),
            (60, "1 minute"),
            (100, "100 seconds"),
            (1.8, "1.8 seconds"),
            (1, "1 second"),
            (3600, "60 minutes"),
            (5400, "90 minutes"),
            (7200, "2 hours"),
        ):
            self.assertEqual(duration(seconds), words)

    def test_a_clock_out_of_all_range_is_said_and_kills_nothing(self):
        for moment in (-1e15, -1.0, 0.0):
            wanted = core().decide(Now(moment, 1000.0))
            self.assertIn("the clock of this machine", wanted.reason)
