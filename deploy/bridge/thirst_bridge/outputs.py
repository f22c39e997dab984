"""The ways out: a GPIO line, a command, a topic. `set(value)` puts a value into force or raises Failed."""

import os
import signal
import subprocess
import tempfile

from .payloads import plain


class Failed(Exception):
    """Why an output could not be set."""


def open_output(settings, publish):
    """The output of `settings`. `publish(topic, payload, retain)` hands a message to the broker or raises Failed."""
    kind, own = settings.output, settings.output_settings
    if kind == "gpio":
        return Line(own, settings.without_power)
    if settings.rules.kind == "relay":
        return RelayCommand(own) if kind == "command" else RelayTopic(own, publish)
    return PercentCommand(own) if kind == "command" else PercentTopic(own, publish)


class Dry:
    """Nothing is set."""

    def set(self, value):
        pass

    def close(self):
        pass


class Line:
    """A relay on a GPIO line, by libgpiod 1 or 2. It stands at the level without power from the moment it is taken."""

    def __init__(self, own, without_power):
        self._without_power = without_power  # true: watering is allowed then
        self._active_high = own["energized_level"] == "high"
        try:
            import gpiod
        except ImportError:
            raise Failed("python3-libgpiod is missing: install it, or use another output") from None
        try:
            self._set, self._release = (_line_2 if hasattr(gpiod, "request_lines") else _line_1)(
                gpiod, own["chip"], own["line"], self._level(without_power)
            )
        except OSError as fault:
            raise Failed(f"line {own['line']} of {own['chip']}: {fault.strerror or fault}") from None

    def _level(self, value):
        energized = value != self._without_power
        return 1 if energized == self._active_high else 0

    def set(self, value):
        try:
            self._set(self._level(value))
        except OSError as fault:
            raise Failed(f"the line cannot be set: {fault.strerror or fault}") from None

    def close(self):
        self._release()


def _line_1(gpiod, chip, offset, level):
    held = gpiod.Chip(chip)
    line = held.get_line(offset)
    line.request(consumer="thirst-bridge", type=gpiod.LINE_REQ_DIR_OUT, default_vals=[level])

    def release():
        line.release()
        held.close()

    return line.set_value, release


def _line_2(gpiod, chip, offset, level):
    from gpiod.line import Direction, Value

    values = (Value.INACTIVE, Value.ACTIVE)
    config = {offset: gpiod.LineSettings(direction=Direction.OUTPUT, output_value=values[level])}
    request = gpiod.request_lines(chip, consumer="thirst-bridge", config=config)
    return (lambda level: request.set_value(offset, values[level])), request.release


class RelayCommand:
    """A program for each state of the contact."""

    def __init__(self, own):
        self._own = own

    def set(self, value):
        run(self._own["allowed" if value else "interrupted"], self._own["time_limit"])

    def close(self):
        pass


class RelayTopic:
    """A smart relay that takes two payloads."""

    def __init__(self, own, publish):
        self._own, self._publish = own, publish

    def set(self, value):
        self._publish(self._own["topic"], self._own["allowed" if value else "interrupted"], self._own["retain"])

    def close(self):
        pass


class PercentCommand:
    """A program that takes a percentage, once for each group, or twelve."""

    def __init__(self, own):
        self._own = own

    def set(self, value):
        for filled in fillings(value):
            run([fill(text, filled) for text in self._own["argv"]], self._own["time_limit"])

    def close(self):
        pass


class PercentTopic:
    """A device that takes a percentage by MQTT."""

    def __init__(self, own, publish):
        self._own, self._publish = own, publish

    def set(self, value):
        for filled in fillings(value):
            self._publish(fill(self._own["topic"], filled), fill(self._own["payload"], filled), self._own["retain"])

    def close(self):
        pass


def fillings(value):
    """What is filled in for each message or call: {percent} and {group}, or {months}."""
    if all(isinstance(part, int) for part in value):
        return [{"{months}": ",".join(map(str, value))}]
    return [{"{percent}": str(percent), "{group}": group or ""} for group, percent in value]


def fill(text, filled):
    """Only the names in `filled` are replaced; other braces stay, as JSON needs them."""
    for name, value in filled.items():
        text = text.replace(name, value)
    return text


def run(argv, time_limit):
    """Runs a program to its end; no shell. Raises Failed where it fails or takes longer than `time_limit` seconds."""
    # A file takes what it says: a pipe would wait for whatever it left behind in the background.
    with tempfile.TemporaryFile() as errors:
        try:
            child = subprocess.Popen(
                argv, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=errors, start_new_session=True
            )
        except OSError as fault:
            raise Failed(f"{argv[0]} cannot be started: {fault.strerror or fault}") from None
        try:
            status = child.wait(time_limit)
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()
            raise Failed(f"{argv[0]} took longer than {time_limit:g} s and was ended") from None
        if status:
            errors.seek(max(0, errors.seek(0, os.SEEK_END) - 1000))
            said = plain(errors.read().decode("utf-8", "replace"), 120)
            how = f"ended with {status}" if status > 0 else f"was ended by signal {-status}"
            raise Failed(f"{argv[0]} {how}" + (f": {said}" if said else ""))
