"""The state file: what a rebooted bridge knows before the broker is back. Written whole and atomically, only on change."""

import fcntl
import json
import os

LARGEST = 262_144  # bytes


class Busy(Exception):
    """Another bridge follows the same controller with the same state file."""


class Memory:
    """The file at `path`, or nothing where that is None."""

    def __init__(self, path):
        self.path = path
        self._written = None
        self._lock = None

    def lock(self):
        """Keeps a second bridge away. Raises Busy, OSError."""
        if self.path is None:
            return
        self._lock = open(f"{self.path}.lock", "a", encoding="utf-8")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Busy(self.path) from None

    def close(self):
        """Lets go of the lock."""
        if self._lock is not None:
            self._lock.close()

    def read(self):
        """What was written last, {} where there is nothing yet. Raises OSError, ValueError."""
        if self.path is None or not os.path.exists(self.path):
            return {}
        with open(self.path, "rb") as file:
            text = file.read(LARGEST + 1)
        if len(text) > LARGEST:
            raise ValueError("it is too large")
        try:
            saved = json.loads(text)
        except (ValueError, RecursionError):
            raise ValueError("it is not JSON") from None
        if not isinstance(saved, dict):
            raise ValueError("it is no JSON object")
        return saved

    def write(self, saved):
        """Writes `saved` where it differs from what was written last. Raises OSError."""
        text = json.dumps(saved, sort_keys=True)
        if self.path is None or text == self._written:
            return
        beside = f"{self.path}.new"
        with open(beside, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, self.path)
        folder = os.open(os.path.dirname(os.path.abspath(self.path)), os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
        self._written = text
