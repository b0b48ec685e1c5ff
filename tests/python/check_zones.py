"""Compares our zones with the pinned PyPI copy of the IANA data, hour by hour and around every clock change.

    cargo run -q --example zone_table | python tests/python/check_zones.py

Exits 1 when any zone differs at any time of 2026 and 2027.
"""

import sys
import zoneinfo
from datetime import datetime, timedelta, timezone

import tzdata

zoneinfo.reset_tzpath(to=[])  # the package only, never the machine's own copy
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
FROM = datetime(2026, 1, 1, tzinfo=timezone.utc)
UNTIL = datetime(2028, 1, 1, tzinfo=timezone.utc)


def read_table(lines):
    """{zone: [(first instant, offset)]} in order."""
    zones = {}
    for line in lines:
        if line.startswith("#"):
            print(f"ours: {line[1:].strip()}; theirs: IANA {tzdata.IANA_VERSION}")
            continue
        name, at, minutes = line.rstrip("\n").split("\t")
        at = datetime.strptime(at, "%Y-%m-%dT%H:%MZ").replace(tzinfo=timezone.utc)
        zones.setdefault(name, []).append((at, timedelta(minutes=int(minutes))))
    return zones


def differences(name, clocks):
    """Instants at which the two disagree, and the number compared."""
    theirs = zoneinfo.ZoneInfo(name)
    wrong, compared = [], 0
    for (start, offset), (end, _) in zip(clocks, clocks[1:] + [(UNTIL, None)]):
        first_hour = start.replace(minute=0) + HOUR
        hours = (first_hour + HOUR * n for n in range((end - first_hour) // HOUR + 1))
        for at in [start, start + MINUTE, end - MINUTE, *(hour for hour in hours if hour < end)]:
            compared += 1
            if at.astimezone(theirs).utcoffset() != offset:
                wrong.append((at, offset, at.astimezone(theirs).utcoffset()))
    return wrong, compared


def main():
    zones = read_table(sys.stdin)
    if len(zones) < 590 or any(clocks[0][0] != FROM for clocks in zones.values()):
        sys.exit(f"the table is incomplete: {len(zones)} zones")
    bad = instants = changes = 0
    for name, clocks in sorted(zones.items()):
        wrong, compared = differences(name, clocks)
        instants += compared
        changes += len(clocks) - 1
        bad += bool(wrong)
        for at, ours, theirs in wrong[:1]:
            print(f"{name}: {len(wrong)} instants differ, first {at}: ours {ours}, theirs {theirs}")
    unknown = sorted(zoneinfo.available_timezones() - zones.keys())
    print(f"{len(zones)} zones, {changes} clock changes, {instants} instants: {bad} zones differ")
    print(f"names we do not know: {', '.join(unknown) or 'none'}")
    sys.exit(1 if bad else 0)


main()
