"""Reads our feeds with PyPI icalendar and compares every event with what the sample says in UTC; then asks PyPI
recurring-ical-events what happens when, as programs do that show a week or a month.

    cargo run -q --example feed_sample | python tests/python/check_feed.py

Each time is resolved twice: by the zone's name with the pinned IANA data, and by the feed's own VTIMEZONE alone.
Exits 1 at the first feed that reads differently.
"""

import json
import sys
import zoneinfo
from datetime import datetime, timedelta, timezone

import recurring_ical_events
from icalendar import Calendar

zoneinfo.reset_tzpath(to=[])  # the package only, never the machine's own copy


def check(condition, *what):
    if not condition:
        sys.exit(" ".join(str(part) for part in what))


def same_instant(line, expected, by_name, by_vtimezone, where):
    """`line` is a DTSTART or DTEND as parsed."""
    expected = datetime.fromisoformat(expected.replace("Z", "+00:00"))
    check(line.dt.astimezone(timezone.utc) == expected, where, "by the parser:", line.dt, "is not", expected)
    if "TZID" not in line.params:
        check(line.dt.utcoffset().total_seconds() == 0, where, "has neither a zone nor UTC")
        return 0
    wall = line.dt.replace(tzinfo=None)
    for how, zone in [("by name", by_name), ("by VTIMEZONE", by_vtimezone)]:
        found = wall.replace(tzinfo=zone).astimezone(timezone.utc)
        check(found == expected, where, f"{how}:", found, "is not", expected)
    return 1


def check_feed(sample):
    name, calendar = sample["zone"], Calendar.from_ical(sample["feed"])
    check(not calendar.errors, name, calendar.errors)
    for key in ["PRODID", "VERSION", "NAME", "DESCRIPTION", "COLOR", "X-WR-CALNAME", "REFRESH-INTERVAL", "X-PUBLISHED-TTL", "SOURCE", "UID"]:
        check(key in calendar, name, "lacks", key)
    check("METHOD" not in calendar, name, "is a scheduling message")
    [vtimezone] = calendar.walk("VTIMEZONE")
    by_vtimezone = vtimezone.to_tz(lookup_tzid=False)
    by_name = zoneinfo.ZoneInfo(name)
    events = calendar.walk("VEVENT")
    check(len(events) == len(sample["events"]), name, "has", len(events), "events")
    local = 0
    for event, expected in zip(events, sample["events"]):
        where = f"{name} {expected['uid']}"
        check(not event.errors, where, event.errors)
        check(event["dtstamp"].dt == event["last-modified"].dt, where, "has two times of its last revision")
        for key in ["uid", "summary", "description", "location", "sequence", "status"]:
            check(event[key] == expected[key], where, key, repr(event[key]), "is not", repr(expected[key]))
        check([str(category) for category in event["categories"].cats] == expected["categories"], where, event["categories"])
        local += same_instant(event["dtstart"], expected["start"], by_name, by_vtimezone, where)
        local += same_instant(event["dtend"], expected["end"], by_name, by_vtimezone, where)
    return len(events), local, shown_by_week(calendar, sample["events"], by_name, name)


def shown_by_week(calendar, expected, zone, name):
    """What is on in each of a year's weeks, by the zone's own clock; a week is not always 168 hours."""
    spans = [(event["uid"], *(datetime.fromisoformat(event[end].replace("Z", "+00:00")) for end in ["start", "end"])) for event in expected]
    query = recurring_ical_events.of(calendar)
    for week in range(60):
        opens, closes = (datetime(2026, 1, 5, tzinfo=zone) + timedelta(weeks=number) for number in [week, week + 1])
        [utc_opens, utc_closes] = [at.astimezone(timezone.utc) for at in [opens, closes]]
        found = {str(event["uid"]): event for event in query.between(utc_opens, utc_closes)}
        wanted = {uid: (start, end) for uid, start, end in spans if start < utc_closes and end > utc_opens}
        check(found.keys() == wanted.keys(), name, "week of", opens.date(), found.keys() ^ wanted.keys())
        for uid, (start, end) in wanted.items():
            read = tuple(found[uid][key].dt.astimezone(timezone.utc) for key in ["dtstart", "dtend"])
            check(read == (start, end), name, uid, "in its week:", read, "is not", (start, end))
    return week + 1


def main():
    samples = json.load(sys.stdin)
    check(len(samples) >= 5, "too few samples")
    for sample in samples:
        events, local, weeks = check_feed(sample)
        print(f"{sample['zone']}: {events} events, {local} local and {2 * events - local} UTC times agree, {weeks} weeks too")


main()
