"""The demo as a stranger's programs see it: starts `tackfree demo`, reads the published plan through the API and every
crew's calendar with the PyPI `icalendar` package, and compares the instants; validates the OpenAPI document with
`openapi-spec-validator`; and stops the program in order.

usage: check_service.py PROGRAM [INSTANT ZONE]...
"""

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from datetime import datetime, timezone

from icalendar import Calendar
from openapi_spec_validator import OpenAPIV31SpecValidator


def get(url, token=None, **headers):
    request = urllib.request.Request(url, headers=headers)
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    with urllib.request.urlopen(request, timeout=20) as reply:
        return reply.headers, reply.read()


def post(url, token, body):
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    request = urllib.request.Request(url, data=json.dumps(body).encode(), headers=headers)
    with urllib.request.urlopen(request, timeout=20) as reply:
        return json.loads(reply.read())


def check_customers(base, token):
    """Every job's letter against the customer's calendar: the same instants by another program's reading."""
    compared = 0
    for job in json.loads(get(f"{base}/v1/jobs?limit=200", token)[1])["items"]:
        dates = json.loads(get(f"{base}/v1/jobs/{job['key']}/customer-letter", token)[1])["dates"]
        if dates is None:
            continue
        address = post(f"{base}/v1/feeds", token, {"kind": "customer", "house": job["house"]})["address"]
        events = Calendar.from_ical(get(f"{base}{address}")[1]).walk("VEVENT")
        starts = {str(event["SUMMARY"]): event["DTSTART"].dt for event in events if "Care" in event["CATEGORIES"].cats}
        expected = {
            "The floor may be walked on in socks": dates["socks_at"],
            "Furniture may go back, at the earliest": dates["furniture_earliest_at"],
            "Furniture may go back, to be careful": dates["furniture_careful_at"],
        }
        for summary, instant in expected.items():
            assert utc(starts[summary]) == utc(datetime.fromisoformat(instant)), (job["key"], summary, starts, dates)
        for summary, day in [("at the earliest", "full_cure_earliest"), ("to be careful", "full_cure_careful")]:
            start = starts[f"Rugs, and full cure of the floor, {summary}"]
            assert start.date().isoformat() == dates[day] and start.time().isoformat() == "00:00:00", (start, dates)
        compared += len(starts)
    assert compared >= 25, f"only {compared} dates of customers"
    return compared


def utc(value):
    assert value.tzinfo is not None, f"{value} floats"
    return value.astimezone(timezone.utc)


def start(program, data, instant, zone):
    command = [program, "--data-directory", data, "demo", "--listen", "127.0.0.1:0", "--at", instant, "--time-zone", zone]
    demo = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    said = []
    for line in demo.stdout:
        said.append(line)
        if line.startswith("Serving"):
            return demo, "".join(said)
    demo.wait()
    sys.exit(f"the demo ended with {demo.returncode} and said:\n{''.join(said)}")


def check(program, data, instant, zone):
    demo, said = start(program, data, instant, zone)
    try:
        token = re.search(r"Token for the API +(\S+)", said).group(1)
        pages = re.findall(r"On a phone, (\w+) +(\S+)", said)
        calendars = {f"Crew {crew}": page.replace("/week/", "/feeds/") + ".ics" for crew, page in pages}
        assert calendars, f"no crew's page in what the demo said:\n{said}"
        base = re.search(r"(http://[^/]+)/docs/", said).group(1)
        plan = json.loads(get(f"{base}/v1/plans/published", token)[1])
        planned = {}
        for placement in plan["placements"]:
            for piece in placement["pieces"]:
                span = tuple(utc(datetime.fromisoformat(piece[end])) for end in ("start", "finish"))
                planned.setdefault(placement["crew_name"], set()).add(span)
        compared = 0
        offsets = set()
        for crew, address in calendars.items():
            headers, text = get(address)
            events = [event for event in Calendar.from_ical(text).walk("VEVENT") if event["STATUS"] != "CANCELLED"]
            seen = {(utc(event["DTSTART"].dt), utc(event["DTEND"].dt)) for event in events}
            offsets |= {event["DTSTART"].dt.utcoffset() for event in events}
            missing = planned[crew] - seen
            unknown = seen - planned[crew]
            assert not missing and not unknown, f"{crew}: {len(missing)} missing, {len(unknown)} unknown: {missing} {unknown}"
            compared += len(seen)
            try:
                get(address, **{"If-None-Match": headers["ETag"]})
                sys.exit("an unchanged calendar was sent again")
            except urllib.error.HTTPError as error:
                assert error.code == 304, error.code
        assert len(offsets) == 2, f"the weeks around {instant} in {zone} show the offsets {offsets}, not two"
        customers = check_customers(base, token)
        document = json.loads(get(f"{base}/openapi.json")[1])
        OpenAPIV31SpecValidator(document).validate()
        week = re.search(r"The week to look at +(\S+)", said).group(1)
        assert "text/html" in get(week)[0]["Content-Type"]
        print(f"{zone} from {instant}: {compared} events of {len(calendars)} crews at the plan's instants, "
              f"across a clock change; {customers} dates of customers as in their letters; OpenAPI {document['openapi']} with {len(document['paths'])} paths is valid")
    finally:
        demo.send_signal(signal.SIGINT)
    assert demo.wait(timeout=40) == 0, f"the demo ended with {demo.returncode}"
    assert not os.path.exists(os.path.join(data, "postgres", "postmaster.pid")), "PostgreSQL was left running"


def main():
    program, cases = sys.argv[1], sys.argv[2:]
    # As root the program hands the cluster to another user, who must be able to reach it.
    with tempfile.TemporaryDirectory(prefix="tackfree-", dir="/var/tmp") as data:
        os.chmod(data, 0o755)
        for instant, zone in zip(cases[::2], cases[1::2]):
            check(program, os.path.join(data, "data"), instant, zone)


if __name__ == "__main__":
    main()
