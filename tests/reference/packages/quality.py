"""Random series and the flags that PyPI ioos_qc gives them, as JSON in the shape of tests/vectors/ioos_qc_cases.json.

Usage: quality.py FILE SEED CASES_PER_TEST
The same seed gives the same cases.
"""

import importlib.metadata
import json
import math
import sys

import numpy as np
from ioos_qc import qartod

START = 1_767_225_600


def series(random, infinite=False):
    """Values in eighths, so that sums are exact and limits are met to the bit; one series in two has gaps in it."""
    count = int(random.integers(3, 60))
    walk = np.cumsum(random.integers(-8, 9, count) * (random.random(count) < random.choice([0.3, 1.0]))) / 8 + 10
    walk += np.where(random.random(count) < 0.08, random.integers(-80, 81, count) / 8, 0)
    if random.random() < 0.5:
        walk[random.random(count) < 0.1] = np.nan
    if infinite and random.random() < 0.2:
        walk[random.integers(0, count)] = random.choice([np.inf, -np.inf])
    return walk


def times(random, count, steady=False):
    interval = int(random.choice([60, 300, 600]))
    steps = np.full(count, interval)
    if not steady:
        steps = np.where(random.random(count) < 0.1, steps * random.integers(2, 30, count), steps)
        steps = np.where(random.random(count) < 0.2, steps + random.integers(-20, 21, count), steps)
    return START + int(random.integers(0, 365 * 86_400)) + np.cumsum(steps)


def limits(random, most):
    low, high = sorted(random.integers(1, most, 2) / 8)
    return float(low), float(high)


def span(random, least, most):
    return sorted(float(end) for end in random.integers(least, most, 2))


def gross(random):
    fail = span(random, 0, 20)
    suspect = sorted(float(end) for end in random.uniform(*fail, 2)) if random.random() < 0.7 else None
    params = {"fail_span": fail, "suspect_span": suspect}
    values = series(random, infinite=True)
    return params, None, values, qartod.gross_range_test(values, **params)


def spike(random):
    suspect, fail = limits(random, 40)
    params = {"suspect_threshold": suspect, "fail_threshold": fail}
    params["method"] = str(random.choice(["average", "differential"]))
    values = series(random)
    return params, None, values, qartod.spike_test(values, **params)


def rate(random):
    values = series(random)
    at = times(random, len(values))
    interval = float(np.median(np.diff(at)))
    suspect, fail = (limit / interval for limit in limits(random, 40))
    params = {"threshold": suspect, "fail_threshold": fail if random.random() < 0.7 else None}
    return params, at, values, qartod.rate_of_change_test(values, at, **params)


def flat(random):
    values = series(random)
    at = times(random, len(values))
    interval = int(np.median(np.diff(at)))
    suspect, fail = sorted(int(count * interval) + int(random.integers(0, 30)) for count in random.integers(1, 9, 2))
    params = {"suspect_threshold": suspect, "fail_threshold": fail, "tolerance": float(random.integers(0, 24)) / 8}
    return params, at, values, qartod.flat_line_test(values, at, **params)


def attenuated(random):
    values = series(random)
    at = times(random, len(values), steady=random.random() < 0.5)
    kind = str(random.choice(["std", "range"]))
    fail, suspect = limits(random, 32)
    if kind == "std":
        # No deviation of eighths is so near to these that rounding decides.
        fail, suspect = fail + 0.001234567, suspect + 0.001234567
    params = {"suspect_threshold": suspect, "fail_threshold": fail, "check_type": kind}
    if random.random() < 0.8:
        params["test_period"] = int(random.integers(2, 10) * np.median(np.diff(at)))
        if random.random() < 0.4:
            params["min_obs"] = int(random.integers(1, 5))
        elif random.random() < 0.5:
            params["min_period"] = int(random.integers(1, 5) * np.median(np.diff(at)))
    return params, at, values, qartod.attenuated_signal_test(values, at, **params)


def climatology(random):
    values = series(random)
    at = START + np.sort(random.integers(0, 3 * 365 * 86_400, len(values)))
    members = []
    for _ in range(random.integers(1, 4)):
        period = str(random.choice(["month", "dayofyear", "week"]))
        longest = {"month": 12, "dayofyear": 366, "week": 53}[period]
        member = {"tspan": [int(end) for end in random.integers(1, longest + 1, 2)], "vspan": span(random, 0, 20)}
        if random.random() < 0.6:
            member["fspan"] = [member["vspan"][0] - 2.0, member["vspan"][1] + 2.0]
        members.append(member | {"period": period})
    depths = np.full(len(values), np.nan)
    return {"config": members}, at, values, qartod.climatology_test(members, values, at, depths)


def gap(random):
    at = times(random, int(random.integers(2, 40)))
    params = {"fail_span_hours": float(random.choice([0.1, 0.5, 1, 2]))}
    stamps = at.astype("datetime64[s]").astype("datetime64[ns]")
    return params, at, None, qartod.time_gap_test(stamps, params["fail_span_hours"])


def reception(random):
    at = times(random, int(random.integers(2, 40)))
    params = {"fail_span_hours": float(random.choice([0.1, 0.5, 1, 2])), "from_time": int(at[-1])}
    stamps = at.astype("datetime64[s]").astype("datetime64[ns]")
    return params, at, None, qartod.data_reception_test(stamps, params["fail_span_hours"], stamps[-1])


def aggregate(random):
    one, other = (random.choice([1, 2, 3, 4, 9], 30) for _ in range(2))
    params = {"a": one.tolist(), "b": other.tolist()}
    return params, None, None, qartod.qartod_compare([one, other])


TESTS = {
    "gross_range_test": gross,
    "spike_test": spike,
    "rate_of_change_test": rate,
    "flat_line_test": flat,
    "attenuated_signal_test": attenuated,
    "climatology_test": climatology,
    "time_gap_test": gap,
    "data_reception_test": reception,
    "qartod_compare": aggregate,
}


def plain(value):
    if math.isnan(value):
        return None
    return float(value) if math.isfinite(value) else str(value)


def main():
    path, seed, count = sys.argv[1], *map(int, sys.argv[2:4])
    random = np.random.default_rng(seed)
    cases = []
    for test, make in TESTS.items():
        for number in range(count):
            params, at, values, flags = make(random)
            cases.append({
                "name": f"{test} {number}",
                "test": test,
                "params": params,
                "t_unix_s": None if at is None else [int(time) for time in at],
                "values": None if values is None else [plain(value) for value in values],
                "expected_flags": [int(flag) for flag in np.ma.getdata(flags)],
                "error": None,
            })
    with open(path, "w", encoding="ascii") as file:
        json.dump({"cases": cases}, file)
    version = importlib.metadata.version
    print(f"ioos_qc {version('ioos_qc')}, numpy {np.__version__}, pandas {version('pandas')}, seed {seed}")


if __name__ == "__main__":
    main()
