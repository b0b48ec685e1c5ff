"""The chances of a few small companies, simulated a second time: minute by minute, with Python's own luck, from the planning
file, the plan file and docs/chance.md alone. Shares and quantiles must agree within stated statistical limits.

usage: check_chance.py PROGRAM [RUNS]
"""

import json
import math
import random
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta, timezone
from pathlib import Path

EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
DAY = 1440
# A share of n runs differs from one of m runs by less than this many standard errors, but in one of 150,000 comparisons.
ERRORS = 4.5
MONDAY = "2026-03-02T00:00:00+00:00"
DAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


def minute(text):
    return int((datetime.fromisoformat(text) - EPOCH).total_seconds() // 60)


def instant(at):
    return (EPOCH + timedelta(minutes=at)).isoformat()


# ---- companies -------------------------------------------------------------------------------------------------------


def hours(days, *windows):
    return {"week": [{"days": days, "from": start, "to": end} for start, end in windows]}


def house(key, areas=("hall",), temp_c=21.11, rh_percent=50, access=None):
    return {
        "key": key, "name": key.title(), "areas": [{"name": area, "area_sqft": 300} for area in areas],
        "access": access or hours(DAYS, ("00:00", "24:00")),
        "air": {"controlled": {"temp_c": temp_c, "rh_percent": rh_percent}},
    }


def crew(key, calendar):
    return {"key": key, "name": key.title(), "skills": ["floors"], "head_count": 2, "calendar": calendar}


def step(key, minutes, kind="other", **more):
    return {"key": key, "name": key, "kind": kind, "minutes": minutes, "skills": ["floors"], **more}


def wait(start, end, minutes=0, **more):
    return {"from": start, "to": end, "min_minutes": minutes, **more}


def company(houses, crews, jobs, equipment=(), ways=()):
    return {
        "format": "tackfree-planning/1", "now": instant(minute(MONDAY) + 6 * 60),
        "settings": {"time_zone": "UTC", "horizon_days": 40}, "crews": crews, "houses": houses,
        "equipment": list(equipment), "methods": [], "jobs": jobs,
        "known_ways": [{"from": a, "to": b, "minutes": minutes} for a, b, minutes in ways],
    }


def job(key, house, steps, waits):
    return {"key": key, "name": key, "house": house, "release": MONDAY, "steps": steps, "waits": waits}


def companies():
    """Each has something of its own; together they have everything that a run may meet."""
    weekdays = DAYS[:5]
    office = hours(weekdays, ("08:00", "12:00"), ("13:00", "17:00"))
    early = hours(weekdays, ("06:00", "15:00"))

    def coats(name, kind):
        """Sanding over nights, a keep-off, a film, a night between, a check and a walk-through."""
        steps = [
            step("sand", 700, "sand", dividable=True, equipment={"drum": 1}),
            step("seal", 90, "seal"),
            step("coat", 100, "coat"),
            step("check", 20, "check", recheck_after_minutes=180),
            step("walk", 30, "walk_through"),
        ]
        waits = [
            wait("sand", "seal"), wait("seal", "coat", 200, film=kind, keep_off=True),
            wait("coat", "check", 300, film=kind, overnight=True, keep_off=True), wait("check", "walk"),
        ]
        return job(f"{name}-floors", name, steps, waits)

    yield "one crew, two houses, one machine that must be brought", company(
        [house("elm"), house("oak", temp_c=15, rh_percent=50)], [crew("ann", office), crew("ben", early)],
        [coats("elm", "waterborne"), coats("oak", "oil_modified")],
        [{"key": "drum", "name": "Drum", "units": 1, "moves_with_crew": False}], [("elm", "oak", 35)],
    )

    def treated(name):
        """A two-part treatment that is done again when its check fails."""
        steps = [
            step("pop", 30, "water_pop"), step("a", 25, "treat_a"), step("b", 30, "treat_b"),
            step("check", 30, "check", recheck_after_minutes=60, on_fail={"treat_again": ["a", "b"]}),
            step("coat", 60, "coat"),
        ]
        dwell = {"max": {"minutes": 15, "on_exceed": "forbid"}, "kind": "dwell"}
        waits = [
            wait("pop", "a", 30, film="treatment"), wait("a", "b", 10, **dwell),
            wait("b", "check", 240, film="treatment", keep_off=True), wait("check", "coat"),
        ]
        return job(f"{name}-floors", name, steps, waits)

    yield "a treatment that is done again", company(
        [house("elm"), house("oak")], [crew("ann", office)], [treated("elm"), treated("oak")], (), [("elm", "oak", 20)]
    )

    def windows(name):
        """A recoat window that lapses, and a maximum that is forbidden to be exceeded."""
        steps = [
            step("seal", 120, "seal", areas=["hall"]), step("other", 100, areas=["parlour"]),
            step("coat", 90, "coat", areas=["hall"]), step("abrade", 45, "abrade", areas=["hall"], only_on_lapse=True),
            step("wipe", 20, areas=["parlour"]), step("finish", 60, "coat", areas=["hall", "parlour"]),
        ]
        waits = [
            wait("seal", "coat", 120, film="waterborne", max={"minutes": 160, "on_exceed": {"lapse": "abrade"}}),
            wait("other", "wipe"), wait("wipe", "finish", max={"minutes": 400, "on_exceed": "forbid"}),
            wait("coat", "finish", 180, film="waterborne"),
        ]
        return job(f"{name}-floors", name, steps, waits)

    shops = hours(weekdays, ("07:00", "18:00"))
    rooms = ("hall", "parlour")
    yield "windows that lapse, and a house with hours of its own", company(
        [house("elm", rooms, access=shops), house("oak", rooms), house("ash", rooms)],
        [crew("ann", office), crew("ben", early)], [windows("elm"), windows("oak"), windows("ash")], (),
        [("elm", "oak", 25), ("elm", "ash", 15), ("oak", "ash", 40)],
    )


# ---- reading the two files -------------------------------------------------------------------------------------------


def open_minutes(calendar, start, end):
    """The set of open minutes; the companies live in UTC, so that a day has 1440 of them."""
    out = set()
    for day in range(start // DAY, end // DAY + 1):
        weekday = DAYS[(day + 3) % 7]  # 1970-01-01 was a Thursday
        for window in calendar["week"]:
            if weekday in window["days"]:
                (h1, m1), (h2, m2) = (map(int, window[side].split(":")) for side in ("from", "to"))
                out.update(range(day * DAY + h1 * 60 + m1, day * DAY + h2 * 60 + m2))
    return out


def pace(film, air):
    """Millionths of a label minute done in a minute of steady air; the companies need no more of docs/drying.md."""
    temp_c, rh = air["temp_c"], air["rh_percent"]
    pressure = 611.2 * math.exp(17.62 * temp_c / (243.12 + temp_c))
    label = 611.2 * math.exp(17.62 * 21.11 / (243.12 + 21.11)) * 0.5
    share = {"treatment": 1.0, "waterborne": 0.5, "oil_modified": 0.0}[film]
    factor = share * label / (pressure * (1 - rh / 100)) + (1 - share) * 2 ** ((21.11 - temp_c) / 10)
    return int(1_000_000 / min(max(factor, 1.0), 3.0) + 1e-6)


class World:
    """Everything that does not change from run to run."""

    def __init__(self, document, plan):
        self.now = minute(document["now"])
        self.end = self.now + 60 * DAY
        houses = {house["key"]: house for house in document["houses"]}
        self.air = {key: house["air"]["controlled"] for key, house in houses.items()}
        open_in = {key: open_minutes(house["access"], self.now, self.end) for key, house in houses.items()}
        works = {one["key"]: open_minutes(one["calendar"], self.now, self.end) for one in document["crews"]}
        self.workable = {(c, h): works[c] & open_in[h] for c in works for h in open_in}
        self.ways = {}
        for way in document["known_ways"]:
            self.ways[way["from"], way["to"]] = self.ways[way["to"], way["from"]] = way["minutes"]
        self.brought = {kind["key"]: not kind.get("moves_with_crew", True) for kind in document["equipment"]}
        self.jobs = {job["key"]: job for job in document["jobs"]}
        self.steps = {(job["key"], step["key"]): step for job in document["jobs"] for step in job["steps"]}
        self.areas = {key: [area["name"] for area in house["areas"]] for key, house in houses.items()}
        placed = {(one["job"], one["step"]): one for one in plan["placements"]}
        self.blocks = []
        for name, placement in placed.items():
            dwells = [w for w in self.jobs[name[0]]["waits"] if w.get("kind") == "dwell"]
            if any(w["to"] == name[1] for w in dwells):
                continue
            run = [name] + [(name[0], w["to"]) for w in dwells if w["from"] == name[1]]
            self.blocks.append(self.block([(one, placed[one]) for one in run]))
        self.blocks.sort(key=lambda block: block["start"])
        self.finishes = {}
        for (job, _), placement in placed.items():
            end = minute(placement["pieces"][-1]["finish"])
            self.finishes[job] = max(end, self.finishes.get(job, end))
        self.placed = placed

    def block(self, run):
        start = minute(run[0][1]["pieces"][0]["start"])
        parts = []
        for name, placement in run:
            pieces = [(minute(p["start"]), minute(p["finish"])) for p in placement["pieces"]]
            worked = sum(end - begin for begin, end in pieces)
            parts.append({"name": name, "from": pieces[0][0] - start, "until": pieces[0][0] - start + worked,
                          "gear": [(g["equipment"], g["unit"]) for g in placement.get("gear", [])]})
        first = self.steps[run[0][0]]
        return {
            "job": run[0][0][0], "house": self.jobs[run[0][0][0]]["house"], "crew": run[0][1]["crew"], "start": start,
            "minutes": max(part["until"] for part in parts), "parts": parts, "dividable": first.get("dividable", False),
            "pause": first.get("recheck_after_minutes"),
        }

    def rooms(self, name):
        return self.steps[name].get("areas") or self.areas[self.jobs[name[0]]["house"]]


# ---- one run, minute by minute ---------------------------------------------------------------------------------------


class Run:
    def __init__(self, world, model, luck):
        self.world, self.model, self.luck = world, model, luck
        self.done = {}  # step -> (start, finish); of a check: of the try that passed
        self.factor = {}  # step -> of what dries after it
        self.crews, self.rooms, self.gear = {}, {}, {}
        self.lapsed, self.forbidden, self.extras = set(), set(), set()
        self.waiting = [dict(block, not_before=block["start"], tries=0, rank=rank, needs=None)
                        for rank, block in enumerate(world.blocks)]

    def lognormal(self, sigma):
        return math.exp(self.luck.gauss(0.0, sigma))

    def ready(self, name, wait, finish):
        """When a wait after `name` is over."""
        minutes = wait.get("min_minutes", 0)
        at = finish + minutes
        if "film" in wait:
            minutes = math.floor(minutes * self.factor[name] + 0.5)
            air = self.world.air[self.world.jobs[name[0]]["house"]]
            at = finish + -(-minutes * 1_000_000 // pace(wait["film"], air))
        if wait.get("overnight"):
            at = max(at, (finish // DAY + 1) * DAY)
        return at

    def waits_into(self, block):
        names = [part["name"] for part in block["parts"]]
        for wait in self.world.jobs[block["job"]]["waits"]:
            before = (block["job"], wait["from"])
            for part in block["parts"]:
                if part["name"] == (block["job"], wait["to"]) and before not in names:
                    yield before, part, wait

    def can_begin(self, block, now):
        world = self.world
        if now < block["not_before"]:
            return False
        open_now = world.workable[block["crew"], block["house"]]
        if now not in open_now:
            return False
        if not block["dividable"] and any(now + m not in open_now for m in range(block["minutes"])):
            return False
        if block["needs"] is not None:  # done again, or in case: what it waits for is said with it
            if any(other in self.waiting for other in block["needs"]):
                return False
        elif block["tries"] == 0:
            for before, part, wait in self.waits_into(block):
                if before not in self.done or now + part["from"] < self.ready(before, wait, self.done[before][1]):
                    return False
        finish, where = self.crews.get(block["crew"], (0, block["house"]))
        if now < finish + world.ways.get((where, block["house"]), 0):
            return False
        for part in block["parts"]:
            at = now + part["from"]
            if any(at < self.rooms.get((block["house"], room), 0) for room in world.rooms(part["name"])):
                return False
            for unit in part["gear"]:
                finish, where = self.gear.get(unit, (0, block["house"]))
                way = world.ways.get((where, block["house"]), 0) if world.brought[unit[0]] else 0
                if at < finish + way:
                    return False
        return True

    def calls_for_extra(self, block, now):
        """Puts the extra step of a lapsed window before `block`."""
        if block["tries"] or block["needs"] is not None:
            return False
        for before, part, wait in self.waits_into(block):
            limit = wait.get("max")
            lapse = limit and limit["on_exceed"] != "forbid" and limit["on_exceed"]["lapse"]
            extra = (block["job"], lapse)
            if not lapse or extra in self.world.placed or extra in self.extras:
                continue
            if now + part["from"] > self.done[before][1] + limit["minutes"]:
                self.extras.add(extra)
                self.lapsed.add((block["job"], wait["from"], wait["to"]))
                minutes = self.world.steps[extra]["minutes"]
                added = dict(block, parts=[{"name": extra, "from": 0, "until": minutes, "gear": []}], minutes=minutes,
                             dividable=self.world.steps[extra].get("dividable", False), pause=None, needs=[], not_before=now)
                self.waiting.append(added)
                block["needs_extra"] = added
                return True
        return False

    def begin(self, block, now):
        world = self.world
        minutes = max(1, math.floor(block["minutes"] * self.lognormal(self.model["work"]) + 0.5))
        finish = now + minutes
        if block["dividable"]:
            open_now, left, finish = world.workable[block["crew"], block["house"]], minutes, now
            while left:
                left -= finish in open_now
                finish += 1
        if block["tries"] == 0 and block["needs"] is None:
            for before, part, wait in self.waits_into(block):
                limit = wait.get("max")
                late = limit and now + part["from"] > self.done[before][1] + limit["minutes"]
                if late and limit["on_exceed"] == "forbid":
                    self.forbidden.add((block["job"], wait["from"], wait["to"]))
        self.crews[block["crew"]] = (finish, block["house"])
        self.last[block["job"]] = max(finish, self.last.get(block["job"], 0))
        spans = {}
        for part in block["parts"]:
            start = now + math.floor(part["from"] * minutes / block["minutes"] + 0.5)
            end = now + math.floor(part["until"] * minutes / block["minutes"] + 0.5)
            spans[part["name"]] = (start, finish if len(block["parts"]) == 1 else end)
            for room in world.rooms(part["name"]):
                key = (block["house"], room)
                self.rooms[key] = max(spans[part["name"]][1], self.rooms.get(key, 0))
            for unit in part["gear"]:
                self.gear[unit] = (spans[part["name"]][1], block["house"])
        if block["pause"] is not None and block["tries"] < 49 and self.luck.random() < self.model["failing"]:
            return self.fail(block, finish)
        for name, span in spans.items():
            self.done[name] = span
            self.factor[name] = self.lognormal(self.model["dry"])
            for wait in world.jobs[block["job"]]["waits"]:
                if wait["from"] == name[1] and wait.get("keep_off"):
                    ready = self.ready(name, wait, span[1])
                    for room in world.rooms(name):
                        key = (block["house"], room)
                        self.rooms[key] = max(ready, self.rooms.get(key, 0))
        return None

    def fail(self, block, finish):
        block = dict(block, tries=block["tries"] + 1, not_before=finish + block["pause"], needs=None)
        check = self.world.steps[block["parts"][0]["name"]]
        on_fail = check.get("on_fail", "recheck")
        if on_fail != "recheck" and block["tries"] <= 3:
            named = on_fail["treat_again"]
            again = next(b for b in self.world.blocks if b["job"] == block["job"] and b["parts"][0]["name"][1] == named[0])
            assert [part["name"][1] for part in again["parts"]] == named, "the companies repeat one run"
            again = dict(again, not_before=finish, tries=1, rank=block["rank"], needs=[], gearless=True)
            again["parts"] = [dict(part, gear=[]) for part in again["parts"]]
            self.waiting.append(again)
            block["after"] = named
            block["needs"] = [again]
        self.waiting.append(block)

    def again_ready(self, block, now):
        """A check that comes after a treatment done again waits for that to dry, too."""
        for before, part, wait in self.waits_into(block):
            if before[1] in block.get("after", []) and now + part["from"] < self.ready(before, wait, self.done[before][1]):
                return False
        return True

    def go(self):
        self.last = {}
        now = self.world.now
        while self.waiting and now < self.world.end:
            # Whoever can begin in this minute begins, the one planned earlier first.
            again = True
            while again:
                again = False
                for block in sorted(self.waiting, key=lambda b: (b["rank"], b["needs"] is None)):
                    if block.get("needs_extra") in self.waiting and block.get("needs_extra") is not None:
                        continue
                    if not self.can_begin(block, now) or not self.again_ready(block, now):
                        continue
                    again = True
                    if not self.calls_for_extra(block, now):
                        self.waiting.remove(block)
                        self.begin(block, now)
                    break
            # Nothing changes until somebody is due; minutes before that are passed over.
            due = min((block["not_before"] for block in self.waiting), default=now)
            now = max(now + 1, due)
        return self


# ---- comparing -------------------------------------------------------------------------------------------------------


def limit(share, n, m):
    share = min(max(share, 0.5 / n), 1 - 0.5 / n)
    return ERRORS * math.sqrt(share * (1 - share) * (1 / n + 1 / m))


def agree(what, ours, theirs, n, m, told):
    allowed = limit((ours * n + theirs * m) / (n + m), n, m)
    told.append((abs(ours - theirs) / allowed, what, ours, theirs, allowed))
    assert abs(ours - theirs) <= allowed, f"{what}: {ours:.4f} here, {theirs:.4f} there, allowed {allowed:.4f}"


def compare(name, document, answer, runs, told):
    n, m = len(runs), answer["runs"]
    for job in answer["jobs"]:
        finishes = [run.last[job["job"]] for run in runs]
        due = minute(job["due"])
        in_time = sum(finish <= due for finish in finishes) / n
        agree(f"{name}: {job['job']} in time", in_time, job["in_time_percent"] / 100, n, m, told)
        for percent in (50, 80, 95):
            at = minute(job[f"finish_percent_{percent}"])
            # At least so many are finished by then there, and fewer before; the same must hold here, but for chance.
            by, before = (sum(f <= at - back for f in finishes) / n for back in (0, 1))
            allowed = limit(percent / 100, n, m)
            told.append((max(percent / 100 - by, before - percent / 100) / allowed, f"{percent} %", by, before, allowed))
            assert by >= percent / 100 - allowed and before <= percent / 100 + allowed, (name, job["job"], percent, by, before)
        ours = {}
        for forbidden, which in ((True, "forbidden"), (False, "lapsed")):
            for run in runs:
                for key in getattr(run, which):
                    if key[0] == job["job"]:
                        ours[key[1:], forbidden] = ours.get((key[1:], forbidden), 0) + 1
        theirs = {((o["from"], o["to"]), o["forbidden"]): o["percent"] / 100 for o in job["overruns"]}
        for key in sorted(set(ours) | set(theirs), key=str):
            agree(f"{name}: {job['job']} overruns {key}", ours.get(key, 0) / n, theirs.get(key, 0.0), n, m, told)


def main():
    program, wanted = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 600
    told, troubles = [], 0
    for number, (name, document) in enumerate(companies()):
        with tempfile.TemporaryDirectory() as folder:
            file, plan_file = Path(folder, "file.json"), Path(folder, "plan.json")

            def run(*arguments):
                done = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True, check=False)
                assert done.returncode == 0, done.stderr
                return done.stdout

            file.write_text(json.dumps(document))
            run("plan", file, "--moves", 0, "--out", plan_file)
            plan = json.loads(plan_file.read_text())
            assert not plan["unplaced"], plan["unplaced"]
            world = World(document, plan)
            # Dates with a little room.
            for job in document["jobs"]:
                job["due"] = instant(world.finishes[job["key"]] + (0, 45, 300)[number])
            file.write_text(json.dumps(document))
            run("plan", file, "--moves", 0, "--out", plan_file)
            world = World(document, json.loads(plan_file.read_text()))
            certain = Run(world, {"dry": 0, "work": 0, "failing": 0}, random.Random(1)).go()
            assert certain.last == world.finishes, (name, certain.last, world.finishes)
            model = {"dry": 0.25, "work": 0.15, "failing": 0.3}
            answer = json.loads(run("chance", file, plan_file, "--runs", 10_000, "--seed", 5, "--dry-sigma", model["dry"],
                                    "--work-sigma", model["work"], "--failed-checks", model["failing"] * 100, "--json"))
            luck = random.Random(1_000 + number)
            runs = [Run(world, model, luck).go() for _ in range(wanted)]
            compare(name, document, answer, runs, told)
            troubles += sum(len(job["overruns"]) for job in answer["jobs"])
            shares = ", ".join(f"{job['job']} {job['in_time_percent']:.1f} %" for job in answer["jobs"])
            print(f"{name}: in time {shares}")
    worst = max(told)
    assert troubles >= 3, "hardly a window was exceeded"
    print(f"{len(told)} shares and quantiles of chances agree with {wanted} runs minute by minute, the worst at "
          f"{worst[0] * 100:.0f} % of its limit ({ERRORS} standard errors): {worst[1]}, {worst[2]:.3f} and {worst[3]:.3f}")


main()
