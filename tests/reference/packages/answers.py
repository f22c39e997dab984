"""Random days and hours, and what PyPI refet and pyet make of them, as CSV files in the folder given.

Usage: answers.py FOLDER SEED DAYS HOURS
The same seed gives the same cases.
"""

import csv
import os
import sys

import numpy as np
import pandas as pd
import pyet
import refet
from pyet import rad_utils
from refet import calcs

# ASCE-EWRI (2005) rounds the constant to this; FAO-56, which pyet follows, to 4.903e-9.
rad_utils.STEFAN_BOLTZMANN_DAY = 4.901e-9


def saturation(temperature):
    return calcs.sat_vapor_pressure(np.asarray(temperature, dtype=float))


def write(path, columns):
    names = list(columns)
    with open(path, "w", newline="", encoding="ascii") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        for row in zip(*(columns[name] for name in names)):
            writer.writerow([repr(float(value)) for value in row])


def places(random, count):
    """Latitude within 65 degrees, elevation, and height of the anemometer; one in three at the usual 2 m."""
    height = np.where(random.random(count) < 1 / 3, 2.0, random.uniform(0.6, 30.0, count))
    return {
        "latitude": random.uniform(-65, 65, count),
        "elevation": random.uniform(-300, 4000, count),
        "height": height,
        "day": random.integers(1, 367, count).astype(float),
    }


def days(random, count):
    cases = places(random, count)
    tmin = random.uniform(-25, 30, count)
    tmax = tmin + random.uniform(0, 25, count)
    # From bone-dry air to fog, in which the dew point is the lowest temperature.
    dew = np.where(random.random(count) < 0.1, tmin, tmin - random.uniform(0, 30, count))
    lat = np.radians(cases["latitude"])
    ra = calcs.ra_daily(lat, cases["day"], "asce")
    # From a day in heavy cloud to one above the clear sky.
    rs = ra * random.uniform(0.02, 0.9, count)
    wind = np.where(random.random(count) < 0.05, 0.0, random.uniform(0, 12, count))
    cases |= {"tmin": tmin, "tmax": tmax, "dew": dew, "rs": rs, "wind": wind, "ra": ra}
    for name in ("simple", "full"):
        daily = refet.Daily(
            tmin=tmin, tmax=tmax, tdew=dew, rs=rs, uz=wind, zw=cases["height"], elev=cases["elevation"],
            lat=cases["latitude"], doy=cases["day"], method="asce", rso_type=name,
        )
        cases[f"rso_{name}"] = daily.rso
        cases[f"eto_{name}"] = daily.eto()
        cases[f"etr_{name}"] = daily.etr()
        cases["u2"] = daily.u2
    # pyet works on series with dates; a leap year has every day of the year.
    dates = pd.DatetimeIndex(pd.Timestamp("2023-12-31") + pd.to_timedelta(cases["day"], unit="D"))
    series = lambda values: pd.Series(np.asarray(values, dtype=float), index=dates)
    highest, lowest = series(tmax), series(tmin)
    mean, u2 = (highest + lowest) / 2, series(cases["u2"])
    cases["pyet_ra"] = np.ravel(pyet.extraterrestrial_r(dates, lat))
    cases["pyet_daylight"] = np.ravel(pyet.daylight_hours(dates, lat))
    # The package divides by the latent heat at the day's temperature; FAO-56, Eq. 52, takes 0.408 mm for 1 MJ/m2.
    fixed_heat = pyet.calc_lambda(mean) * 0.408
    cases["pyet_hargreaves"] = np.ravel(pyet.hargreaves(mean, highest, lowest, lat=lat) * fixed_heat)
    rh_max, rh_min = random.uniform(60, 100, count), random.uniform(5, 60, count)
    cases |= {"rh_max": rh_max, "rh_min": rh_min}
    common = {
        "rs": series(rs), "tmax": highest, "tmin": lowest, "elevation": series(cases["elevation"]), "lat": lat,
        "clip_zero": False,
    }
    cases["pyet_pm"] = np.ravel(pyet.pm_fao56(mean, u2, ea=series(saturation(dew)), **common))
    cases["pyet_pm_rh"] = np.ravel(pyet.pm_fao56(mean, u2, rhmax=series(rh_max), rhmin=series(rh_min), **common))
    return cases


def hours(random, count):
    cases = places(random, count)
    longitude = random.uniform(-180, 180, count)
    start = random.integers(0, 24, count).astype(float)
    air = random.uniform(-25, 45, count)
    dew = np.where(random.random(count) < 0.1, air, air - random.uniform(0, 35, count))
    wind = np.where(random.random(count) < 0.05, 0.0, random.uniform(0, 12, count))
    lat, lon = np.radians(cases["latitude"]), np.radians(longitude)
    ra = calcs.ra_hourly(lat, lon, cases["day"], start + 0.5, "asce")
    rs = np.maximum(ra, 0) * random.uniform(0.02, 0.9, count)
    cases |= {"longitude": longitude, "start": start, "air": air, "dew": dew, "wind": wind, "rs": rs, "ra": ra}
    hourly = refet.Hourly(
        tmean=air, rs=rs, uz=wind, zw=cases["height"], elev=cases["elevation"], lat=cases["latitude"], lon=longitude,
        doy=cases["day"], time=start, tdew=dew, method="asce",
    )
    cases |= {"rso_simple": hourly.rso, "cloudiness_simple": hourly.fcd, "rn_simple": hourly.rn}
    cases |= {"eto_simple": hourly.eto().copy(), "etr_simple": hourly.etr().copy()}
    # The package's class takes the full clear sky only with constants that are not the standard's: its parts take it with
    # the standard's.
    hourly.rso = calcs.rso_hourly(hourly.ra, hourly.ea, hourly.pair, hourly.doy, hourly.time_mid, lat, lon, "asce")
    hourly.fcd = calcs.fcd_hourly(hourly.rs, hourly.rso, hourly.doy, hourly.time, lat, lon, "asce")
    hourly.rnl = calcs.rnl_hourly(hourly.tmean, hourly.ea, hourly.fcd)
    hourly.rn = calcs.rn_hourly(hourly.rs, hourly.rnl)
    cases |= {"rso_full": hourly.rso, "cloudiness_full": hourly.fcd, "rn_full": hourly.rn}
    cases |= {"eto_full": hourly.eto().copy(), "etr_full": hourly.etr().copy()}
    # The package judges a low sun by the start of the hour; here is the elevation of the sun at both.
    declination = calcs.declination(cases["day"], "asce")
    for name, at in (("sun_start", start), ("sun_middle", start + 0.5)):
        omega = calcs.solar_hour_angle(calcs.solar_time_rad(lon, at, calcs.seasonal_correction(cases["day"])))
        sine = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(omega)
        cases[name] = np.arcsin(np.clip(sine, -1, 1))
    return cases


def main():
    folder, seed, day_count, hour_count = sys.argv[1], *map(int, sys.argv[2:5])
    os.makedirs(folder, exist_ok=True)
    random = np.random.default_rng(seed)
    write(os.path.join(folder, "days.csv"), days(random, day_count))
    write(os.path.join(folder, "hours.csv"), hours(random, hour_count))
    print(f"refet {refet.__version__}, pyet {pyet.__version__}, numpy {np.__version__}, seed {seed}")


if __name__ == "__main__":
    main()
