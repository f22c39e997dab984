"""The ways out, with a GPIO library that is made up in the shape of libgpiod 1 and 2; the state file."""

import os
import sys
import tempfile
import types
import unittest
from unittest import mock

from thirst_bridge import outputs
from thirst_bridge.memory import Busy, Memory
from thirst_bridge.outputs import Failed


def library_1(levels):
    """What python3-libgpiod 1 offers, as far as it is used; every level of the pin goes to `levels`."""

    class Line:
        def request(self, consumer, type, default_vals):
            levels.extend(default_vals)

        def set_value(self, level):
            levels.append(level)

        def release(self):
            levels.append("released")

    class Chip:
        def __init__(self, path):
            if path != "/dev/gpiochip0":
                raise FileNotFoundError(2, "No such file or directory")

        def get_line(self, offset):
            return Line()

        def close(self):
            pass

    return {"gpiod": types.SimpleNamespace(Chip=Chip, LINE_REQ_DIR_OUT=3)}


def library_2(levels):
    """What python3-libgpiod 2 offers, as far as it is used."""
    line = types.SimpleNamespace(
        Direction=types.SimpleNamespace(OUTPUT="out"), Value=types.SimpleNamespace(INACTIVE=0, ACTIVE=1)
    )

    class Request:
        def set_value(self, offset, value):
            levels.append(value)

        def release(self):
            levels.append("released")

    def request_lines(path, consumer, config):
        if path != "/dev/gpiochip0":
            raise FileNotFoundError(2, "No such file or directory")
        levels.extend(one.output_value for one in config.values())
        return Request()

    module = types.SimpleNamespace(
        request_lines=request_lines, LineSettings=lambda **keys: types.SimpleNamespace(**keys), line=line
    )
    return {"gpiod": module, "gpiod.line": line}


class Gpio(unittest.TestCase):
    def test_the_line_stands_without_power_first_and_follows_the_contact(self):
        for library in (library_1, library_2):
            for level, without_power, expected in (
                ("high", True, [0, 1, 0]),
                ("low", True, [1, 0, 1]),
                ("high", False, [0, 0, 1]),
                ("low", False, [1, 1, 0]),
            ):
                levels = []
                with mock.patch.dict(sys.modules, library(levels)):
                    own = {"chip": "/dev/gpiochip0", "line": 17, "energized_level": level}
                    line = outputs.Line(own, without_power)
                    line.set(False)
                    line.set(True)
                    line.close()
                self.assertEqual(levels, [*expected, "released"], (library, level, without_power))

    def test_a_chip_that_is_not_there_and_a_missing_library_are_said(self):
        own = {"chip": "/dev/gpiochip9", "line": 17, "energized_level": "high"}
        for library in (library_1, library_2):
            with mock.patch.dict(sys.modules, library([])), self.assertRaisesRegex(
                Failed, "line 17 of /dev/gpiochip9: No such file"
            ):
                outputs.Line(own, True)
        with mock.patch.dict(sys.modules, {"gpiod": None}), self.assertRaisesRegex(
            Failed, "python3-libgpiod is missing"
        ):
            outputs.Line(own, True)


class Commands(unittest.TestCase):
    def test_a_program_that_fails_hangs_or_is_missing_is_said(self):
        for argv, words in (
            (["/bin/sh", "-c", "echo no pump >&2; exit 3"], "/bin/sh ended with 3: no pump"),
            (["/bin/sh", "-c", "exit 3"], "/bin/sh ended with 3$"),
            (["/bin/sh", "-c", "kill -9 $$"], "/bin/sh was ended by signal 9"),
            (["/bin/sleep", "60"], "/bin/sleep took longer than 0.2 s and was ended"),
            (["/nowhere/at/all"], "/nowhere/at/all cannot be started: No such file"),
        ):
            with self.assertRaisesRegex(Failed, words):
                outputs.run(argv, 0.2 if "sleep" in argv[0] else 20)

    def test_what_a_program_leaves_in_the_background_keeps_nobody_waiting(self):
        outputs.run(["/bin/sh", "-c", "sleep 30 & exit 0"], 5)

    def test_no_shell_reads_an_argument(self):
        with tempfile.TemporaryDirectory() as folder:
            path = os.path.join(folder, "$(touch x);a b")
            outputs.run(["/bin/sh", "-c", 'printf %s "$1" > "$2"', "-", "$HOME `id`", path], 20)
            with open(path, encoding="utf-8") as file:
                self.assertEqual(file.read(), "$HOME `id`")

    def test_percentages_are_filled_in_and_other_braces_stay(self):
        sent = []
        topic = outputs.PercentTopic(
            {"topic": "garden/{group}/set", "payload": '{"percent": {percent}, "x": {}}', "retain": True},
            lambda *all: sent.append(all),
        )
        topic.set((("lawn", 70), ("beds", 0)))
        self.assertEqual(sent[0], ("garden/lawn/set", '{"percent": 70, "x": {}}', True))
        self.assertEqual(sent[1][:2], ("garden/beds/set", '{"percent": 0, "x": {}}'))
        self.assertEqual(outputs.fillings((1, 2, 3)), [{"{months}": "1,2,3"}])
        self.assertEqual(outputs.fillings(((None, 5),)), [{"{percent}": "5", "{group}": ""}])

    def test_a_smart_relay_gets_one_of_two_payloads(self):
        sent = []
        relay = outputs.RelayTopic(
            {"topic": "a", "allowed": "OFF", "interrupted": "ON", "retain": False}, lambda *all: sent.append(all)
        )
        relay.set(True)
        relay.set(False)
        self.assertEqual(sent, [("a", "OFF", False), ("a", "ON", False)])


class StateFile(unittest.TestCase):
    def test_what_was_written_is_read_and_nothing_is_written_twice(self):
        with tempfile.TemporaryDirectory() as folder:
            memory = Memory(os.path.join(folder, "relay.json"))
            self.assertEqual(memory.read(), {})
            memory.write({"a": 1})
            first = os.stat(memory.path).st_ino
            memory.write({"a": 1})
            self.assertEqual(os.stat(memory.path).st_ino, first)
            memory.write({"a": 2})
            self.assertEqual(Memory(memory.path).read(), {"a": 2})
            self.assertEqual(os.listdir(folder), ["relay.json"])

    def test_a_broken_file_is_refused(self):
        for content in (b"", b"{", b"[]", b"[" * 100_000, b" " * 300_000, b"\xff"):
            with tempfile.NamedTemporaryFile() as file:
                file.write(content)
                file.flush()
                with self.assertRaises(ValueError):
                    Memory(file.name).read()

    def test_two_bridges_do_not_share_a_file(self):
        with tempfile.TemporaryDirectory() as folder:
            first, second = (Memory(os.path.join(folder, "relay.json")) for _ in range(2))
            first.lock()
            with self.assertRaises(Busy):
                second.lock()
            first.close()
            second.close()

    def test_no_file_is_no_fault(self):
        memory = Memory(None)
        memory.lock()
        memory.write({"a": 1})
        self.assertEqual(memory.read(), {})
