"""What the yard says back: flow now, and runs by a contact or a valve that tells when it is open. Pure."""

from .actuator import stamp
from .core import BUILT

MOST_RUNS = 64  # what one report takes
LONGEST_RUN = 86_400  # s, the most that a report takes
FLOW_COUNTS = 600.0  # s that a flow is believed to be the present one; our choice


class Feedback:
    """Flow and runs of one controller; `groups` are those whose runs are told."""

    def __init__(self, groups):
        self._open = {}  # group -> wall time of its start
        self._finished = []
        self._groups = frozenset(groups)
        self._flow = None

    def hear_flow(self, now, liters_per_minute):
        self._flow = (now.uptime, min(liters_per_minute, 100_000.0))

    def hear_run(self, now, group, runs):
        """Takes in that water of `group` runs, or not. A run is finished once, when it stops."""
        if now.wall < BUILT or group not in self._groups:
            return
        if runs:
            self._open.setdefault(group, now.wall)
            return
        start = self._open.pop(group, None)
        if start is None or not 1 <= now.wall - start <= LONGEST_RUN:
            return
        minutes = round((now.wall - start) / 60, 2)
        self._finished.append({"group": group, "start": stamp(start), "end": stamp(now.wall), "minutes": minutes})
        del self._finished[:-MOST_RUNS]

    def flow(self, now):
        """Liters per minute, where it was heard lately."""
        if self._flow is None or FLOW_COUNTS < now.uptime - self._flow[0]:
            return None
        return round(self._flow[1], 3)

    def finished(self):
        """Runs that no delivered report has told yet, oldest first."""
        return [dict(run) for run in self._finished]

    def delivered(self, runs):
        """The broker has these."""
        self._finished = [run for run in self._finished if run not in runs]

    def saved(self):
        return {"open": dict(self._open), "finished": self.finished()}

    def restore(self, saved):
        """Takes up what `saved` gave; anything else is left out."""
        if not isinstance(saved, dict):
            return
        opened, finished = saved.get("open"), saved.get("finished")
        for group, start in (opened if isinstance(opened, dict) else {}).items():
            if group in self._groups and isinstance(start, (int, float)):
                self._open[group] = start
        for run in finished if isinstance(finished, list) else []:
            texts = isinstance(run, dict) and all(isinstance(run.get(key), str) for key in ("group", "start", "end"))
            if texts and run["group"] in self._groups and isinstance(run.get("minutes"), (int, float)):
                self._finished.append({key: run[key] for key in ("group", "start", "end", "minutes")})
        del self._finished[:-MOST_RUNS]
