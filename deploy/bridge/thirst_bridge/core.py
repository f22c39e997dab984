"""What the controller shall do: from instruction, fallback, daemon status and time to one value and the reason for it.

No input, no output, no clock: `now` is an argument, messages come in as bytes, sentences for the log go out as Lines.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timezone, tzinfo

from . import payloads
from .payloads import Fallback, Instruction, Refused, plain

BUILT = datetime(2026, 6, 1, tzinfo=timezone.utc).timestamp()  # no clock that is right says less
CLOCKS_DIFFER = 10 * 60  # s, daemon against bridge; our choice
LONGEST_VALID = 8 * 86_400  # s; our choice: a day more than the longest that the daemon can be set to
FALLBACK_ANEW = 86_400  # s; our choice: a fallback made so much later comes from a daemon that began anew
REPEATED_WORD = 3600  # s between two lines on the same cause


@dataclass(frozen=True)
class Now:
    """Wall time in seconds since 1970, and seconds that never jump."""

    wall: float
    uptime: float


@dataclass(frozen=True)
class Line:
    """A sentence for the log; `level` is INFO or WARN."""

    level: str
    text: str


@dataclass(frozen=True)
class Rules:
    """What is set, as far as it decides. Durations in seconds."""

    kind: str  # relay or percent
    site: str
    controller: str
    instance: str
    zone: tzinfo | None = None  # None: the zone of this machine
    offline_after: float = 600.0
    starting: float = 10.0
    when_unknown: str = "allowed_outside_frost_months"
    frost_months: frozenset = frozenset()
    follows: str = "percent"  # or percents, months
    groups: tuple = ()
    percent_when_unknown: int = 0
    months_while_held: str = "zero"  # or unchanged


@dataclass(frozen=True)
class Wanted:
    """What shall be: `value` is true or false for a relay (water allowed?), a tuple of (group, percent) for percentages with
    None for "all", a tuple of twelve for months. `basis`: instruction, fallback, unknown, starting, test or stopped."""

    basis: str
    value: object
    allowed: bool
    reason: str
    pair: tuple | None = None


class Core:
    """What one bridge knows, and what follows from it."""

    def __init__(self, rules, now):
        self.rules = rules
        self.instruction = None
        self.fallback = None
        self.offline_since = None  # uptime
        self.offline_at = None  # wall time of the same, for after a restart
        self.test_until = None  # uptime
        self._expects = now.uptime  # since when an instruction may come any moment
        self._said = {}

    # What comes in.

    def hear_instruction(self, now, payload):
        """Takes in the payload of the instruction's topic."""
        if not payload:
            had, self.instruction = self.instruction, None
            text = f"The instruction to {self.rules.controller} was taken back: none stands until a new one comes."
            return [Line("INFO", text)] if had else []
        try:
            new = payloads.instruction(payload, self.rules.site, self.rules.controller)
        except Refused as fault:
            return self._refuse(now, "instruction", fault)
        old = self.instruction
        # A daemon with a new store may begin at a lower pair: it is followed once the old word has run out.
        if old and new.pair < old.pair and not (self._past(now, old) and _end(old) < new.issued_at):
            return self._older(now, "instruction", new, old)
        self.instruction = new
        return []

    def hear_fallback(self, now, payload):
        """Takes in the payload of the fallback's topic."""
        if not payload:
            had, self.fallback = self.fallback, None
            return (
                [Line("INFO", "The fallback of the site was taken back: the bridge's own settings stand in.")]
                if had
                else []
            )
        try:
            new = payloads.fallback(payload, self.rules.site)
        except Refused as fault:
            return self._refuse(now, "fallback", fault)
        old = self.fallback
        if old and new.pair < old.pair and new.issued_at < old.issued_at + FALLBACK_ANEW:
            return self._older(now, "fallback", new, old)
        self.fallback = new
        if old is None:
            self._expects = now.uptime
        if old and (old.percents, old.frost_months) == (new.percents, new.frost_months):
            return []
        frost = f"frost months {_listed(new.frost_months)}" if new.frost_months else "no frost months"
        return [Line("INFO", f"The fallback of the site is known: {_of_the_year(new.percents)}, {frost}.")]

    def hear_daemon(self, now, payload):
        """Takes in the payload of the daemon's topic, which is also its will."""
        name = self.rules.instance
        if not payload:
            self.offline_since = self.offline_at = None
            return []
        try:
            status = payloads.daemon_status(payload, name)
        except Refused as fault:
            return self._refuse(now, "daemon status", fault)
        if status.online:
            was, self.offline_since, self.offline_at = self.offline_since, None, None
            return [Line("INFO", f"Daemon {name} is online again.")] if was is not None else []
        if self.offline_since is not None:
            return []
        self.offline_since, self.offline_at = now.uptime, now.wall
        why = f" ({status.reason})" if status.reason else ""
        grace = duration(self.rules.offline_after)
        return [Line("WARN", f"Daemon {name} is offline{why}; what it said last counts for {grace} more.")]

    # What follows.

    def decide(self, now):
        """What shall be now."""
        if self.test_until is not None and now.uptime < self.test_until:
            return self._wanted("test", False, "a test of the contact")
        told = self.instruction
        wrong = self._clock_fault(now)
        if wrong:
            return self._unknown(None if told is None else self._month(told.issued_at), wrong)
        month = self._month(now.wall)
        if told is None:
            if now.uptime - self._expects < self.rules.starting:
                return self._wanted("starting", True, "the broker may hand over an instruction any moment")
            return self._without(month, "no instruction stands")
        if self._past(now, told):
            return self._without(month, f"the last instruction was valid until {moment(_end(told))}")
        if self._is_offline(now):
            return self._without(
                month,
                f"daemon {self.rules.instance} has been offline for more than {duration(self.rules.offline_after)}",
            )
        return self._follow(told, month)

    def stopped(self, now, on_stop, without_power):
        """What shall be once the bridge has ended; None where all stays as it is."""
        if on_stop == "unchanged":
            return None
        if self.rules.kind == "relay":
            return self._wanted("stopped", without_power, "the bridge was stopped, as without power")
        wanted = self._without(self._month(now.wall), "the bridge was stopped")
        return replace(wanted, basis="stopped")

    def begin_test(self, now, seconds):
        """Holds for so many seconds, whatever else stands."""
        self.test_until = now.uptime + seconds

    def end_test(self):
        self.test_until = None

    # What survives a restart.

    def saved(self):
        """Plain JSON values for `restore`."""
        saved = {"offline_at": self.offline_at}
        for name in ("instruction", "fallback"):
            value = getattr(self, name)
            saved[name] = None if value is None else payloads.to_saved(value)
        return saved

    def restore(self, now, saved):
        """Takes up what `saved` gave; what cannot be read is left out and said."""
        lines = []
        for name, kind in (("instruction", Instruction), ("fallback", Fallback)):
            try:
                if saved.get(name) is not None:
                    setattr(self, name, payloads.from_saved(kind, saved[name]))
            except Refused as fault:
                lines.append(Line("WARN", f"The {name} in the state file is left out: {fault}."))
        offline_at = saved.get("offline_at")
        if isinstance(offline_at, (int, float)):
            # A clock that is wrong at boot must not end the grace: it begins anew then.
            passed = now.wall - offline_at if BUILT <= offline_at <= now.wall else 0.0
            self.offline_since, self.offline_at = now.uptime - passed, offline_at
        return lines

    def _follow(self, told, month):
        rules = self.rules
        reason = told.text or "no reason was given"
        if rules.kind == "relay":
            return self._wanted("instruction", told.water_allowed, reason, told.pair)
        if not told.water_allowed:
            keep = rules.follows == "months" and rules.months_while_held == "unchanged" and told.months
            value = told.months if keep else self._same(0)
            return Wanted("instruction", value, False, reason, told.pair)
        if rules.follows == "percent" and told.percent is not None:
            value = ((None, told.percent),)
        elif rules.follows == "months" and told.months is not None:
            value = told.months
        elif rules.follows == "percents" and told.percents is not None and set(rules.groups) <= set(told.percents):
            value = tuple((group, told.percents[group]) for group in rules.groups)
        else:
            return self._without(month, f"the instruction does not give the {self._asked()} that this bridge follows")
        return Wanted("instruction", value, True, reason, told.pair)

    def _without(self, month, why):
        """By the fallback of the month, where one is known."""
        if self.fallback is None:
            return self._unknown(month, why)
        name = MONTHS[month - 1]
        if self.rules.kind == "relay":
            if month in self.fallback.frost_months:
                return self._wanted("fallback", False, f"{why}, and {name} is a frost month")
            return self._wanted("fallback", True, f"{why}, and {name} is no frost month")
        if self.rules.follows == "months":
            return Wanted("fallback", self.fallback.percents, True, f"{why}, so the fallback of the site applies")
        percent = self.fallback.percents[month - 1]
        return Wanted("fallback", self._same(percent), percent > 0, f"{why}, so the fallback for {name} applies")

    def _unknown(self, month, why):
        """By the bridge's own settings. `month` is None where it is not known either."""
        rules = self.rules
        if rules.kind == "percent":
            percent = rules.percent_when_unknown
            return Wanted("unknown", self._same(percent), percent > 0, f"{why}, so percent_when_unknown applies")
        if rules.when_unknown != "allowed_outside_frost_months":
            return self._wanted("unknown", rules.when_unknown == "allowed", f"{why}, so when_unknown applies")
        frost = self.fallback.frost_months if self.fallback else rules.frost_months
        if not frost:
            return self._wanted("unknown", True, f"{why}, and no frost months are known")
        if month is None:
            return self._wanted("unknown", False, f"{why}, and it may be a frost month")
        name = MONTHS[month - 1]
        return self._wanted(
            "unknown", month not in frost, f"{why}, and {name} is {'a' if month in frost else 'no'} frost month"
        )

    def _wanted(self, basis, allowed, reason, pair=None):
        if self.rules.kind == "relay":
            return Wanted(basis, allowed, allowed, reason, pair)
        percent = self.rules.percent_when_unknown if allowed else 0
        return Wanted(basis, self._same(percent), allowed, reason, pair)

    def _same(self, percent):
        if self.rules.follows == "months":
            return (percent,) * 12
        return tuple((group, percent) for group in self.rules.groups or (None,))

    def _asked(self):
        if self.rules.follows == "percents":
            return f"percents of {', '.join(self.rules.groups)}"
        return self.rules.follows

    def _clock_fault(self, now):
        if now.wall < BUILT:
            return f"the clock of this machine says {moment(now.wall)}, which cannot be"
        if self.instruction and now.wall < self.instruction.issued_at - CLOCKS_DIFFER:
            issued = moment(self.instruction.issued_at)
            return f"the clock of this machine says {moment(now.wall)}, but the instruction was made at {issued}"
        return None

    def _past(self, now, told):
        return BUILT <= now.wall and _end(told) < now.wall

    def _is_offline(self, now):
        return self.offline_since is not None and self.rules.offline_after <= now.uptime - self.offline_since

    def _month(self, wall):
        return datetime.fromtimestamp(wall, self.rules.zone).month

    def _older(self, now, what, new, old):
        text = f"An {what}" if what[0] in "aeiou" else f"A {what}"
        text += f" that is older than the one known was ignored: {_pair(new.pair)} comes before {_pair(old.pair)}."
        return self._hourly(now, f"{what} older", text)

    def _refuse(self, now, what, fault):
        return self._hourly(now, f"{what} {fault.cause}", f"A message on the topic of the {what} was ignored: {fault}.")

    def _hourly(self, now, cause, text):
        """A line, at most once an hour for each cause; causes come from a closed list."""
        said = self._said.get(cause)
        if said is not None and now.uptime - said < REPEATED_WORD:
            return []
        self._said[cause] = now.uptime
        return [Line("WARN", text)]


def describe(kind, value):
    """A value as the beginning of a sentence."""
    if kind == "relay":
        return "Watering is allowed" if value else "Watering is interrupted"
    if all(isinstance(part, int) for part in value):
        return f"The percentages are {_of_the_year(value)}"
    if value[0][0] is None:
        return f"The percentage is {value[0][1]} %"
    return "The percentages are " + ", ".join(f"{group} {percent} %" for group, percent in value)


def small(text):
    """The same inside a sentence."""
    return text[:1].lower() + text[1:]


def moment(wall):
    """A time for people, UTC."""
    try:
        return f"{datetime.fromtimestamp(wall, timezone.utc):%Y-%m-%d %H:%M} UTC"
    except (ValueError, OverflowError, OSError):
        return "a moment out of all range"


def duration(seconds):
    """A duration for people, in the largest unit that counts it whole."""
    for unit, size, least in (("hour", 3600, 2), ("minute", 60, 1)):
        if seconds % size == 0 and least * size <= seconds:
            break
    else:
        unit, size = "second", 1
    count = round(seconds / size, 1)
    return f"{count:g} {unit}{'' if count == 1 else 's'}"


def sentence(text):
    """`text` with one full stop."""
    return plain(text).rstrip(".") + "."


def _end(told):
    return min(told.valid_until, told.issued_at + LONGEST_VALID)


def _pair(pair):
    return f"{pair[0]}/{pair[1]}"


def _of_the_year(percents):
    if len(set(percents)) == 1:
        return f"{percents[0]} % in every month"
    return f"January to December {' '.join(map(str, percents))} %"


def _listed(months):
    return ", ".join(MONTHS[month - 1] for month in sorted(months))


MONTHS = "January February March April May June July August September October November December".split()
