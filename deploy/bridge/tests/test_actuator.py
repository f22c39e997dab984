"""When the output is set, and what is reported; flow and runs."""

import json
import unittest

from thirst_bridge.actuator import Actuator, Reports
from thirst_bridge.core import Now
from thirst_bridge.feedback import Feedback

from .samples import core, keep_report, status, table, told, wall

NOON = wall("2027-06-01T12:00:00Z")


def after(seconds):
    return Now(NOON + seconds, 1000.0 + seconds)


class Stage:
    """Core, actuator and reports, with an output that only counts."""

    def __init__(self, between=120.0, repeat=0.0, every=900.0, **rules):
        self.core = core(**rules)
        self.actuator = Actuator(self.core.rules.kind, between, repeat)
        self.reports = Reports("relay", self.core.rules.kind, every)
        self.feedback = Feedback(["lawn"])
        self.set, self.log, self.works = [], [], True

    def tick(self, seconds):
        now = after(seconds)
        due, lines = self.actuator.want(now, self.core.decide(now))
        if due and self.works:
            self.set.append(self.actuator.wanted.value)
            lines += self.actuator.done(now)
        elif due:
            lines += self.actuator.failed(now, "the program ended with 3")
        self.log += [line.text for line in lines]
        report = self.reports.due(now, self.actuator, self.feedback)
        keep_report(report)
        return report

    def tell(self, seconds, allowed, sequence, **more):
        self.core.hear_instruction(after(seconds), told(allowed, (1, sequence), **more))
        return self.tick(seconds)


class Contact(unittest.TestCase):
    def test_a_hold_acts_at_once_and_a_release_waits_its_time(self):
        stage = Stage()
        stage.tell(0, True, 1)
        stage.tell(1, False, 2)
        self.assertEqual(stage.set, [True, False])
        report = stage.tell(2, True, 3)
        self.assertEqual(stage.set, [True, False])
        self.assertNotIn("in_force", report)
        self.assertIs(report["water_allowed"], False)
        self.assertIsNone(stage.tick(120.9))
        self.assertEqual(stage.tick(121)["in_force"], {"epoch": 1, "sequence": 3})
        self.assertEqual(stage.set, [True, False, True])
        stage.tell(122, False, 4)
        self.assertEqual(stage.set[-1], False)
        self.assertEqual(sum("it waits" in line for line in stage.log), 1)

    def test_a_refresh_in_the_same_sense_sets_nothing_and_is_confirmed(self):
        stage = Stage()
        stage.tell(0, False, 1)
        lines = len(stage.log)
        self.assertEqual(stage.tell(10, False, 2)["in_force"]["sequence"], 2)
        self.assertEqual((stage.set, len(stage.log)), ([False], lines))

    def test_the_end_of_a_test_does_not_wait(self):
        stage = Stage()
        stage.tell(0, True, 1)
        stage.core.begin_test(after(1), 30)
        report = stage.tick(1)
        self.assertIs(report["water_allowed"], False)
        self.assertNotIn("in_force", report)
        self.assertIn("a test of the contact", report["note"])
        self.assertEqual(stage.tick(31)["in_force"], {"epoch": 1, "sequence": 1})
        self.assertEqual(stage.set, [True, False, True])

    def test_an_output_that_fails_is_said_once_tried_again_and_never_reported_as_in_force(self):
        stage = Stage()
        stage.tell(0, True, 1)
        stage.works = False
        report = stage.tell(1, False, 2)
        self.assertNotIn("in_force", report)
        self.assertNotIn("water_allowed", report)
        self.assertIn("The output could not be set: the program ended with 3.", report["note"])
        for second in range(2, 40):
            stage.tick(second)
        self.assertEqual(sum("could not be set" in line for line in stage.log), 1)
        self.assertNotIn("Watering is interrupted: No water. Held: lawn (rain).", stage.log)
        stage.works = True
        self.assertEqual(stage.tick(50)["in_force"]["sequence"], 2)
        self.assertEqual(stage.set, [True, False])
        self.assertIn("The output works again.", stage.log)

    def test_an_output_that_forgets_is_told_again(self):
        stage = Stage(repeat=600.0)
        stage.tell(0, False, 1)
        stage.tick(599)
        self.assertEqual(stage.set, [False])
        stage.tick(600)
        stage.tick(601)
        self.assertEqual(stage.set, [False, False])
        stage.actuator.again()
        stage.tick(602)
        stage.tick(603)
        self.assertEqual(stage.set, [False, False, False])

    def test_nothing_is_set_while_the_broker_may_still_hand_over_an_instruction(self):
        stage = Stage(starting=10.0)
        stage.core.hear_fallback(after(0), table())
        self.assertIsNone(stage.tick(0))
        self.assertEqual((stage.set, stage.log), ([], []))
        stage.tick(10)
        self.assertEqual(stage.set, [True])

    def test_the_log_has_one_line_for_each_change_of_state(self):
        stage = Stage()
        stage.core.hear_fallback(after(0), table(frost=[6]))
        stage.tell(0, True, 1)
        for second in range(1, 60):
            stage.tick(second)
        stage.core.hear_daemon(after(60), status("offline"))
        for second in range(60, 800):
            stage.tick(second)
        self.assertEqual(
            stage.log,
            [
                "Watering is allowed: Water may run.",
                "Watering is interrupted: daemon thirstd has been offline for more than 10 minutes, and June is a frost month.",
            ],
        )


class Reported(unittest.TestCase):
    def test_a_report_comes_at_once_and_again_every_so_often(self):
        stage = Stage()
        self.assertEqual(
            stage.tell(0, True, 7),
            {
                "schema": "thirst/report/1",
                "controller": "relay",
                "at": "2027-06-01T12:00:00Z",
                "in_force": {"epoch": 1, "sequence": 7},
                "water_allowed": True,
                "note": "Watering is allowed: Water may run.",
            },
        )
        self.assertIsNone(stage.tick(899))
        self.assertEqual(stage.tick(900)["in_force"]["sequence"], 7)
        self.assertIsNone(stage.tick(901))
        stage.reports.again()
        self.assertIsNotNone(stage.tick(902))

    def test_percentages_are_reported_where_there_is_one(self):
        for rules, more, percent in (
            ({}, {"percent": 85}, 85),
            ({"follows": "percents", "groups": ("lawn", "beds")}, {"percents": {"lawn": 3, "beds": 0}}, None),
            ({"follows": "months"}, {"months": [5] * 12}, None),
        ):
            stage = Stage(kind="percent", percent_when_unknown=40, **rules)
            report = stage.tell(0, True, 1, **more)
            self.assertEqual((report.get("percent"), report["water_allowed"]), (percent, True))
            self.assertIs(stage.tell(1, False, 2, **more)["water_allowed"], False)

    def test_a_wrong_clock_gives_no_time_and_confirms_nothing(self):
        stage = Stage()
        stage.core.hear_instruction(after(0), told(False, (1, 1)))
        now = Now(100.0, 2000.0)
        due, _ = stage.actuator.want(now, stage.core.decide(now))
        self.assertTrue(due)
        stage.actuator.done(now)
        report = stage.reports.due(now, stage.actuator, stage.feedback)
        keep_report(report)
        self.assertEqual({"at", "in_force"} & set(report), set())
        self.assertIn("the clock of this machine says 1970-01-01 00:01 UTC", report["note"])

    def test_notes_fit_whatever_the_daemon_wrote(self):
        stage = Stage()
        report = stage.tell(0, True, 1, text="\x07\u2028" + "é" * 9000)
        self.assertLessEqual(len(report["note"]), 500)
        self.assertTrue(report["note"].isprintable())


class Yard(unittest.TestCase):
    def test_flow_is_reported_when_it_begins_and_ends_and_forgotten_when_old(self):
        stage = Stage()
        stage.tell(0, True, 1)
        for second, flow, reported in (
            (1, 0.2, False),
            (2, 12.0, True),
            (3, 14.0, False),
            (4, 0.0, True),
            (5, 1e9, True),
        ):
            stage.feedback.hear_flow(after(second), flow)
            report = stage.tick(second)
            self.assertEqual(report is not None, reported, second)
            if report:
                self.assertEqual(report["flow_liters_per_minute"], min(flow, 100_000))
        self.assertNotIn("flow_liters_per_minute", stage.tick(606))

    def test_a_run_is_reported_when_it_has_ended_until_the_broker_has_it(self):
        stage = Stage()
        stage.tell(0, True, 1)
        stage.feedback.hear_run(after(60), "lawn", True)
        stage.feedback.hear_run(after(70), "lawn", True)
        self.assertIsNone(stage.tick(70))
        restarted = Feedback(["lawn"])
        restarted.restore(json.loads(json.dumps(stage.feedback.saved())))
        stage.feedback = restarted
        stage.feedback.hear_run(after(660), "lawn", False)
        run = {"group": "lawn", "start": "2027-06-01T12:01:00Z", "end": "2027-06-01T12:11:00Z", "minutes": 10.0}
        self.assertEqual(stage.tick(660)["runs"], [run])
        self.assertIsNone(stage.tick(661))
        self.assertEqual(stage.tick(1560)["runs"], [run])
        stage.feedback.delivered([run])
        self.assertIsNone(stage.tick(1561))
        self.assertNotIn("runs", stage.tick(2460))

    def test_runs_that_cannot_be_are_left_out_and_their_number_is_bounded(self):
        feedback = Feedback(["lawn"])
        feedback.hear_run(after(0), "lawn", False)
        feedback.hear_run(after(0), "beds", True)
        feedback.hear_run(after(1), "beds", False)
        feedback.hear_run(Now(100.0, 3.0), "lawn", True)
        feedback.hear_run(after(0), "lawn", True)
        feedback.hear_run(after(90_000), "lawn", False)
        self.assertEqual(feedback.finished(), [])
        for index in range(100):
            feedback.hear_run(after(100 * index), "lawn", True)
            feedback.hear_run(after(100 * index + 60), "lawn", False)
        self.assertEqual(len(feedback.finished()), 64)
        for broken in (None, [], {"open": 3, "finished": [3, {}]}, {"open": {"lawn": "x"}, "finished": {}}):
            Feedback(["lawn"]).restore(broken)
