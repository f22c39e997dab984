"""Arguments, log, signals, exit code; nothing else."""

import argparse
import json
import os
import signal
import sys
from datetime import datetime, timezone

from . import settings as files
from .core import duration


def main(argv=None):
    """Runs the program. Exit codes: 0 ended as asked, 1 failed, 2 wrong file or arguments."""
    asked = _arguments().parse_args(argv)
    try:
        settings = files.load(asked.file)
    except files.Faults as faults:
        print(faults, file=sys.stderr)
        return 2
    except OSError as fault:
        print(f"{asked.file}: {fault.strerror}", file=sys.stderr)
        return 2
    if asked.check:
        print("\n".join(plan(settings)))
        return 0
    try:
        from . import bridge as loop, trial
    except ImportError as fault:
        print(f"{fault}: install python3-paho-mqtt, or paho-mqtt into the environment of this Python", file=sys.stderr)
        return 1
    if asked.guard is not None:
        return trial.restore(settings, _tuples(json.loads(asked.guard)), say)
    return _run(settings, asked, loop, trial)


def _run(settings, asked, loop, trial):
    from .memory import Busy
    from .outputs import Failed

    wanted = []
    for name in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(name, lambda *_: wanted.append(True))
    try:
        bridge = loop.Bridge(settings, say, asked.dry_run)
    except Failed as fault:
        say("WARN", f"The output cannot be used: {fault}.")
        return 1
    try:
        bridge.begin()
    except Busy as busy:
        say("WARN", f"Another bridge uses {busy}: stop it first (systemctl stop thirst-bridge@NAME).")
        return 1
    except OSError as fault:
        say("WARN", f"The state file {settings.state_file} cannot be locked: {fault.strerror}.")
        return 1
    rules = settings.rules
    say(
        "INFO",
        f"Bridge of {rules.controller} at {rules.site}: {rules.kind} by {settings.output}{', dry run' * asked.dry_run}.",
    )
    if asked.test:
        if asked.dry_run:
            say("INFO", "Nothing is set in a dry run.")
        return trial.run(bridge, asked.test_seconds, say, lambda: bool(wanted), lambda value: _guard(asked, value))
    try:
        while not wanted:
            bridge.step()
    finally:
        # Also after a fault of our own: what is left behind is defined.
        bridge.stop()
    return 0


def _guard(asked, value):
    if asked.dry_run:
        return [sys.executable, "-c", "import sys; sys.stdin.read()"]
    top = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    return [sys.executable, top, asked.file, "--guard", json.dumps(value)]


def _tuples(value):
    return tuple(map(_tuples, value)) if isinstance(value, list) else value


def plan(settings):
    """What the bridge will do, in sentences."""
    rules = settings.rules
    lines = [f"{rules.kind} bridge of {rules.controller} at {rules.site}, by {settings.output}"]
    lines.append(f"follows {settings.topic('site', rules.site, 'instruction', rules.controller)}")
    lines.append(f"reports on {settings.topic('site', rules.site, 'report', rules.controller)}")
    lines.append(f"offline counts after {duration(rules.offline_after)}")
    if rules.kind == "relay":
        state = "allowed" if settings.without_power else "interrupted"
        lines.append(f"energized means {settings.energized}: without power watering is {state}")
        frost = ", ".join(map(str, sorted(rules.frost_months))) or "none"
        lines.append(
            f"while nothing is known: {rules.when_unknown.replace('_', ' ')}; frost months of this file: {frost}"
        )
    else:
        groups = f" of {', '.join(rules.groups)}" if rules.groups else ""
        lines.append(f"hands over {rules.follows}{groups}; while nothing is known {rules.percent_when_unknown} %")
    lines.append(f"when it is stopped: {settings.on_stop.replace('_', ' ')}")
    if settings.state_file is None:
        lines.append("without a state_file: a reboot forgets frost months until the broker is back")
    return lines


def say(level, text):
    """A line of the log, to standard error."""
    now = datetime.now(timezone.utc).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    try:
        print(f"{now} {level:>5} {text}", file=sys.stderr, flush=True)
    except OSError:
        pass  # nobody reads it


def _seconds(text):
    value = float(text)
    if not 1 <= value <= 600:
        raise argparse.ArgumentTypeError("write 1 to 600")
    return value


def _arguments():
    parser = argparse.ArgumentParser(
        prog="thirst-bridge",
        description="Follows the instructions of thirstd for one controller: a relay contact, or a percentage. "
        "Not for life safety, fire protection or frost-protection sprinkling.",
    )
    parser.add_argument("file", help="the bridge's TOML file")
    parser.add_argument("--check", action="store_true", help="read the file, say what the bridge will do, and end")
    parser.add_argument("--dry-run", action="store_true", help="do everything but set the output")
    parser.add_argument(
        "--test", action="store_true", help="interrupt watering for two minutes, say each step, return, and end"
    )
    parser.add_argument(
        "--test-seconds", type=_seconds, default=120.0, metavar="S", help="another time for --test, 1 to 600"
    )
    parser.add_argument("--guard", help=argparse.SUPPRESS)
    return parser
