"""The test for installers: hold for two minutes, say each step, and return to what is right, whatever happens."""

import subprocess
import sys
import time

from . import outputs
from .bridge import clock
from .broker import Link
from .core import describe, duration, sentence, small

KNOWS_WITHIN = 15.0  # s to hear from the broker what stands; our choice
LAST_REPORT = 10.0  # s for the report of the end; our choice


def run(bridge, seconds, say, stopping, guard):
    """Runs the test; 0 where all went well. `stopping()` is true once somebody wants an end; `guard` starts the program
    that puts things right if this one is killed."""
    kind = bridge.settings.rules.kind
    end = time.monotonic() + KNOWS_WITHIN
    while time.monotonic() < end and not stopping():
        bridge.step(0.2)
        if bridge.link.ready and bridge.core.instruction is not None:
            break
    if stopping() or not _settle(bridge, end):
        say("WARN", "The test did not begin: the output stays as it is.")
        bridge.close()
        return 1
    before = bridge.actuator.value
    say("INFO", f"Step 1 of 4: before the test. {sentence(describe(kind, before))}")
    with _Guard(bridge, guard, before):
        bridge.core.begin_test(clock(), seconds)
        bridge.tick()
        failed = bridge.actuator.fault is not None
        if not failed:
            what = "Now look at the controller: does it show that watering is interrupted?"
            say("INFO", f"Step 2 of 4: {small(describe(kind, bridge.actuator.value))} for {duration(seconds)}. {what}")
        failed = failed or not _wait(bridge, seconds, say, stopping)
        bridge.core.end_test()
        bridge.tick()
        back = _settle(bridge, time.monotonic() + LAST_REPORT)
    if not back:
        say("WARN", f"Step 3 of 4: the output could not be set back: {sentence(bridge.actuator.fault or '')}")
    else:
        say(
            "INFO",
            f"Step 3 of 4: the test is {'cut short' if failed else 'over'}. {sentence(describe(kind, bridge.actuator.value))}",
        )
    told = bridge.link.ready
    told = bridge.close() and told
    say(
        "INFO" if told else "WARN",
        f"Step 4 of 4: {'the broker has the reports' if told else 'the reports did not reach the broker'}.",
    )
    return 1 if failed or not back else 0


def restore(settings, value, say):
    """What the guard does when the test was killed: puts `value` into force and ends."""
    if sys.stdin.buffer.read(5) == b"done\n":
        return 0
    link = Link(
        settings.broker.named("-guard"), [settings.topic("daemon", settings.rules.instance)], lambda *_: None, say
    )
    try:
        end = time.monotonic() + KNOWS_WITHIN
        while settings.output == "mqtt" and not link.ready and time.monotonic() < end:
            link.step(0.2)
        output = outputs.open_output(settings, link.publish)
        output.set(value)
        link.flush(LAST_REPORT)
        output.close()
    except outputs.Failed as fault:
        say("WARN", f"The test was killed, and the output could not be set back: {sentence(str(fault))}")
        return 1
    finally:
        link.close()
    say(
        "WARN",
        f"The test was killed, and the output is set back: {sentence(small(describe(settings.rules.kind, value)))}",
    )
    return 0


class _Guard:
    """A second program that lives as long as the test: it sees by the end of its input that this one was killed."""

    def __init__(self, bridge, command, value):
        self._bridge, self._command, self._value = bridge, command, value

    def __enter__(self):
        self._child = subprocess.Popen(self._command(self._value), stdin=subprocess.PIPE, start_new_session=True)
        return self

    def __exit__(self, kind, fault, trace):
        # After a fault of our own it does what it is there for.
        try:
            if kind is not None:
                self._bridge.output.close()
            else:
                self._child.stdin.write(b"done\n")
            self._child.stdin.close()
        except OSError:
            pass
        self._child.wait(60)


def _wait(bridge, seconds, say, stopping):
    """Waits the test out and counts down; false where it was cut short."""
    end = time.monotonic() + seconds
    named = seconds
    while time.monotonic() < end:
        if stopping() or bridge.actuator.fault is not None:
            return False
        bridge.step(min(0.5, max(0.01, end - time.monotonic())))
        rest = end - time.monotonic()
        if rest + 30 <= named and 5 < rest:
            named = rest
            say("INFO", f"{duration(round(rest))} to go.")
    return True


def _settle(bridge, end):
    """Waits until what is wanted is in force; false where it does not come to that."""
    while True:
        bridge.tick()
        wanted = bridge.actuator.wanted
        if wanted.basis != "starting" and bridge.actuator.value == wanted.value:
            return True
        if end < time.monotonic():
            return False
        bridge.step(0.2)
