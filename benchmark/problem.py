"""Planning files as the baselines see them: times, ways, costs and plans in plain Python.

Written from docs/planning-file.md, docs/rules.md and docs/cost.md, and shares no code with the program under test.
Times are whole minutes after midnight (office's zone) of the day of `now`; lengths are minutes, costs are cost points.
What the baselines do not model is refused with `Unsupported`, never left aside: see `read`.
"""

import json
import math
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

DAY = 1440
EARTH_RADIUS_KM = 6371.0088
WEEKDAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
COST = {"unplaced_step": 10_000_000, "late_minute": 10, "finish_minute": 1, "travel_minute": 3, "hand_over": 300}
TRAVEL = {"fixed_minutes": 5, "speed_kmh": 40, "detour_percent": 130}


class Unsupported(ValueError):
    """The planning file has something that the baselines do not model."""


@dataclass
class Activity:
    """What one crew does in one go: a step, or the steps of a run (joined by dwells), each as early as its dwell allows."""

    number: int
    job: int
    keys: list  # of its steps
    gear: dict  # units held from start to finish, by kind of gear
    parts: dict  # by able crew: [(offset, minutes)] of each step
    lengths: dict  # by able crew: minutes from first start to last finish
    next_min: int = 0  # least minutes from its finish to the start of the job's next activity
    next_max: int | None = None  # most minutes


@dataclass
class Job:
    key: str
    house: int
    release: int
    due: int | None
    weight: int
    activities: list  # numbers, in the one order in which they can be done


class Problem:
    """`crews`, `houses`, `kinds`: keys by index. `ways[house][house]`, `home_ways[crew][house]`: minutes.

    `crew_spans[crew]`, `house_spans[house]`: [(from, until)] of workable time, cut to `now` and `end`.
    """

    def windows(self, crew, house, length):
        """[(first, last)] possible starts of `length` minutes of a crew's work in a house, everything else free."""
        key = (crew, house, length)
        if key not in self._windows:
            pairs = overlaps(self.crew_spans[crew], self.house_spans[house])
            self._windows[key] = [(a, b - length) for a, b in pairs if b - a >= length]
        return self._windows[key]

    def house_of(self, activity):
        return self.jobs[self.activities[activity].job].house

    def finish(self, activity, crew, start):
        return start + self.activities[activity].lengths[crew]


def overlaps(left, right):
    """What two sorted lists of spans have in common."""
    out, i, j = [], 0, 0
    while i < len(left) and j < len(right):
        a, b = max(left[i][0], right[j][0]), min(left[i][1], right[j][1])
        if a < b:
            out.append((a, b))
        if left[i][1] <= right[j][1]:
            i += 1
        else:
            j += 1
    return out


def way_minutes(a, b, travel):
    """Minutes from `a` to `b`, each a location of the planning file or None: great circle, detour, speed, rounded up."""
    if a is None or b is None:
        return travel["fixed_minutes"]
    degrees = [a["latitude_deg"], a["longitude_deg"], b["latitude_deg"], b["longitude_deg"]]
    lat_a, lon_a, lat_b, lon_b = (round(d * 1e6) / 1e6 * (math.pi / 180) for d in degrees)
    half_lat, half_lon = (lat_b - lat_a) / 2, (lon_b - lon_a) / 2
    h = math.sin(half_lat) ** 2 + math.cos(lat_a) * math.cos(lat_b) * math.sin(half_lon) ** 2
    km = 2 * EARTH_RADIUS_KM * math.asin(min(math.sqrt(h), 1)) * travel["detour_percent"] / 100
    return travel["fixed_minutes"] + math.ceil(km * 60 / travel["speed_kmh"])


def read(path):
    """The `Problem` of a planning file. Raises `Unsupported` for what is not modelled, `KeyError` for a broken file.

    Not modelled: methods and overrides, history, pins, promises, forecasts and readings of air, zones of their own, clock
    changes within the horizon, overtime, short-handed crews, gear that is brought or out of use, work that is dividable
    or rolled in sections, steps on lapse or that nobody can do, waits overnight, chains that are not one sequence, two
    jobs in one house.
    """
    with open(path, encoding="utf-8") as source:
        file = json.load(source)
    refuse(file, "published", "known_ways", "regions")
    problem = Problem()
    problem._windows = {}
    settings = file["settings"]
    problem.zone = ZoneInfo(settings["time_zone"])
    problem.now_text = file["now"]
    now = datetime.fromisoformat(file["now"])
    problem.first_day = now.astimezone(problem.zone).date()
    problem.origin = datetime.combine(problem.first_day, time(), problem.zone).astimezone(timezone.utc)
    last_day = problem.first_day + timedelta(days=settings.get("horizon_days", 60))
    offsets = {datetime.combine(day, time(), problem.zone).utcoffset() for day in days(problem.first_day, last_day)}
    if len(offsets) > 1:
        raise Unsupported("clocks change within the horizon")
    problem.now = minutes_at(problem, file["now"])
    problem.end = (last_day - problem.first_day).days * DAY
    problem.cost = COST | settings.get("cost", {})
    travel = TRAVEL | settings.get("travel", {})
    problem.kinds = [kind["key"] for kind in file.get("equipment", [])]
    problem.units = [kind["units"] for kind in file.get("equipment", [])]
    for kind in file.get("equipment", []):
        refuse(kind, "outages")
        if not kind.get("moves_with_crew", True):
            raise Unsupported(f"gear that is brought: {kind['key']}")
    crews, houses = file["crews"], file["houses"]
    for noun in crews + houses:
        refuse(noun, "time_zone", "short_handed", "air", "region", "air_readings")
    problem.crews = [crew["key"] for crew in crews]
    problem.houses = [house["key"] for house in houses]
    problem.crew_spans = [spans(problem, crew["calendar"], crew.get("absences", [])) for crew in crews]
    problem.house_spans = [spans(problem, house["access"], house.get("closures", [])) for house in houses]
    places = [house.get("location") for house in houses]
    problem.ways = [[0 if a == b else way_minutes(p, q, travel) for b, q in enumerate(places)] for a, p in enumerate(places)]
    problem.home_ways = [
        [way_minutes(crew["home"], place, travel) if crew.get("home") else 0 for place in places] for crew in crews
    ]
    problem.jobs, problem.activities = [], []
    for job in file["jobs"]:
        problem.jobs.append(read_job(problem, job, crews, houses))
    if len({job.house for job in problem.jobs}) < len(problem.jobs):
        raise Unsupported("two jobs in one house")
    return problem


def refuse(noun, *members):
    """Raises `Unsupported` if any of the members is given and not empty."""
    for member in members:
        if noun.get(member):
            raise Unsupported(f"{member} of {noun.get('key', 'the file')}")


def days(first, last):
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def minutes_at(problem, text):
    return int((datetime.fromisoformat(text) - problem.origin).total_seconds()) // 60


def spans(problem, calendar, away):
    """[(from, until)] of a calendar without the spans `away`; windows that touch are joined."""
    weekly, special = {}, {}
    for window in calendar["week"]:
        for day in window["days"]:
            weekly.setdefault(day, []).append(window)
    for exception in calendar.get("exceptions", []):
        first = date.fromisoformat(exception.get("date") or exception["from"])
        last = first if "date" in exception else date.fromisoformat(exception["until"]) - timedelta(days=1)
        special |= {day: exception.get("windows", []) for day in days(first, last)}
    out = []
    for number in range(problem.end // DAY):
        day = problem.first_day + timedelta(days=number)
        windows = special.get(day, weekly.get(WEEKDAYS[day.weekday()], []))
        for window in sorted(windows, key=lambda window: window["from"]):
            if window.get("overtime"):
                raise Unsupported("overtime")
            start, end = (number * DAY + minute_of_day(window[side]) for side in ("from", "to"))
            if out and out[-1][1] == start:
                start = out.pop()[0]
            out.append((start, end))
    for hole in away:
        start, end = minutes_at(problem, hole["from"]), minutes_at(problem, hole["until"])
        out = [part for a, b in out for part in ((a, min(b, start)), (max(a, end), b)) if part[0] < part[1]]
    return [(max(a, problem.now), b) for a, b in out if b > problem.now]


def minute_of_day(text):
    return int(text[:2]) * 60 + int(text[3:])


def read_job(problem, job, crews, houses):
    refuse(job, "method", "overrides", "wait_overrides", "history", "pins")
    number, house = len(problem.jobs), problem.houses.index(job["house"])
    steps, waits = job["steps"], {(wait["from"], wait["to"]): wait for wait in job.get("waits", [])}
    if set(waits) != {(a["key"], b["key"]) for a, b in zip(steps, steps[1:])}:
        raise Unsupported(f"a chain that is not one sequence: {job['key']}")
    runs = []
    for step in steps:
        wait = waits.get((runs[-1][-1]["key"], step["key"])) if runs else None
        if wait and wait.get("kind") == "dwell":
            runs[-1].append(step)
        else:
            runs.append([step])
    numbers = []
    for run in runs:
        dwells = [waits[a["key"], b["key"]]["min_minutes"] for a, b in zip(run, run[1:])]
        problem.activities.append(read_run(len(problem.activities), number, run, dwells, waits, crews, houses[house]))
        numbers.append(problem.activities[-1].number)
    for before, run, after in zip(numbers, runs, runs[1:]):
        wait = waits[run[-1]["key"], after[0]["key"]]
        if wait.get("overnight"):
            raise Unsupported("a wait overnight")
        most = wait.get("max")
        if most and (most.get("on_exceed") != "forbid" or len(run) > 1 or len(after) > 1):
            raise Unsupported("a maximum that lapses, or beside a dwell")
        # A step's areas may be fewer than the house's; the next ones keep off all the same only if they share one.
        if wait.get("keep_off") and any(step.get("areas") for step in steps):
            raise Unsupported("areas of steps")
        problem.activities[before].next_min = wait.get("min_minutes", 0)
        problem.activities[before].next_max = most["minutes"] if most else None
    due = minutes_at(problem, job["due"]) if job.get("due") else None
    return Job(job["key"], house, minutes_at(problem, job["release"]), due, job.get("weight", 1), numbers)


def read_run(number, job, run, dwells, waits, crews, house):
    """The `Activity` of one step, or of the steps of a run; `dwells`: least minutes between them, start to start."""
    parts, lengths = {}, {}
    for step in run:
        refuse(step, "dividable", "rolling", "only_on_lapse")
    for crew, content in enumerate(crews):
        people, skills = content["head_count"], set(content["skills"])
        if any(people < step.get("head_count_min", 1) or not skills.issuperset(step.get("skills", [])) for step in run):
            continue
        minutes = [step_minutes(step, people, house) for step in run]
        offsets = [0]
        for before, (after, dwell) in enumerate(zip(minutes[1:], dwells)):
            # Start to start and finish to finish are both at least the dwell; neither may be longer than its most.
            lag = max(dwell, dwell + minutes[before] - after)
            most = waits[run[before]["key"], run[before + 1]["key"]]["max"]["minutes"]
            if max(lag, lag + after - minutes[before]) > most:
                break
            offsets.append(offsets[-1] + lag)
        if len(offsets) == len(run):
            parts[crew] = list(zip(offsets, minutes))
            lengths[crew] = max(offset + length for offset, length in parts[crew])
    if not lengths:
        raise Unsupported(f"a step that nobody can do: {run[0]['key']}")
    if len(run) > 1 and any(step.get("equipment") for step in run):
        raise Unsupported("gear in a run")
    return Activity(number, job, [step["key"] for step in run], run[0].get("equipment", {}), parts, lengths)


def step_minutes(step, people, house):
    """Minutes of a step for `people`."""
    if "minutes" in step:
        work = step["minutes"]
    elif "minutes_by_applicators" in step:
        work = step["minutes_by_applicators"]["one" if people < 2 else "two"]
    else:
        sqft = sum(area["area_sqft"] for area in house["areas"])
        shared = step.get("person_minutes") or -(-60 * sqft // step["sqft_per_person_hour"])
        work = -(-shared // min(people, step.get("people_max", people)))
    return step.get("set_up_minutes", 0) + work


def day_way(problem, crew, houses):
    """Minutes on the road of a crew that visits `houses` in this order on one day, from home and back."""
    home = problem.home_ways[crew]
    return home[houses[0]] + sum(problem.ways[a][b] for a, b in zip(houses, houses[1:])) + home[houses[-1]]


def crew_way(problem, crew, bookings):
    """Minutes on the road of a crew; `bookings`: sorted [(start, ..., house)], days told apart by their start."""
    total, houses, day = 0, [], None
    for booking in bookings:
        if booking[0] // DAY != day:
            total += day_way(problem, crew, houses) if houses else 0
            houses, day = [], booking[0] // DAY
        houses.append(booking[-1])
    return total + (day_way(problem, crew, houses) if houses else 0)


def job_cost(problem, job, plan):
    """{part: cost points} of one job that is wholly in `plan`."""
    content, weights = problem.jobs[job], problem.cost
    crews = [plan[activity][0] for activity in content.activities]
    finish = problem.finish(content.activities[-1], *plan[content.activities[-1]])
    late = max(0, finish - content.due) if content.due is not None else 0
    return {
        "lateness": weights["late_minute"] * content.weight * late,
        "finish": weights["finish_minute"] * content.weight * max(0, finish - content.release),
        "hand_overs": weights["hand_over"] * sum(a != b for a, b in zip(crews, crews[1:])),
    }


def cost(problem, plan):
    """{part: cost points, "total": their sum}; `plan`: {activity: (crew, start)}. Jobs are in it wholly or not at all."""
    parts = dict.fromkeys(["unplaced", "lateness", "finish", "broken", "travel", "overtime", "hand_overs"], 0)
    for number, job in enumerate(problem.jobs):
        if job.activities[0] in plan:
            for part, points in job_cost(problem, number, plan).items():
                parts[part] += points
        else:
            left_out = sum(len(problem.activities[activity].keys) for activity in job.activities)
            parts["unplaced"] += problem.cost["unplaced_step"] * left_out
    for crew in range(len(problem.crews)):
        bookings = sorted((start, problem.house_of(a)) for a, (by, start) in plan.items() if by == crew)
        parts["travel"] += problem.cost["travel_minute"] * crew_way(problem, crew, bookings)
    return parts | {"total": sum(parts.values())}


def units(problem, plan):
    """{activity: [(kind, unit)]}: the lowest units that are free from start to finish. `AssertionError` if too few are."""
    out = {}
    for kind, count in zip(problem.kinds, problem.units):
        free_from = [0] * count
        users = [a for a in plan if problem.activities[a].gear.get(kind)]
        for activity in sorted(users, key=lambda a: plan[a][1]):
            crew, start = plan[activity]
            free = [unit for unit in range(count) if free_from[unit] <= start]
            needed = problem.activities[activity].gear[kind]
            assert len(free) >= needed, f"too few units of {kind}"
            for unit in free[:needed]:
                free_from[unit] = problem.finish(activity, crew, start)
                out.setdefault(activity, []).append((kind, unit))
    return out


def instant(problem, minute):
    return (problem.origin + timedelta(minutes=minute)).astimezone(problem.zone).isoformat()


def write_plan(path, problem, plan, lower_bound=0):
    """Writes `plan` ({activity: (crew, start)}) as a plan file; `lower_bound`: cost points."""
    held, placements, left_out = units(problem, plan), [], []
    for job in problem.jobs:
        for number in job.activities:
            activity = problem.activities[number]
            if number not in plan:
                left_out += [{"job": job.key, "step": key, "reason": "beyond_horizon"} for key in activity.keys]
                continue
            crew, start = plan[number]
            gear = [{"equipment": kind, "unit": unit} for kind, unit in sorted(held.get(number, []), key=gear_order(problem))]
            for key, (offset, length) in zip(activity.keys, activity.parts[crew]):
                ends = {"start": start + offset, "finish": start + offset + length}
                piece = {end: instant(problem, minute) for end, minute in ends.items()}
                placement = {"job": job.key, "step": key, "crew": problem.crews[crew], "pieces": [piece]}
                placements.append(placement | ({"gear": gear} if gear else {}))
    document = {
        "format": "tackfree-plan/1",
        "now": problem.now_text,
        "seed": 0,
        "move_budget": 0,
        "placements": placements,
        "unplaced": left_out,
        "cost": cost(problem, plan),
        "lower_bound": max(0, lower_bound),
    }
    with open(path, "w", encoding="utf-8") as out:
        json.dump(document, out, indent=1)


def gear_order(problem):
    return lambda use: (problem.kinds.index(use[0]), use[1])


def read_plan(path, problem):
    """{activity: (crew, start)} of a plan file; jobs that are not wholly placed are left out of it."""
    with open(path, encoding="utf-8") as source:
        placements = json.load(source)["placements"]
    starts = {(p["job"], p["step"]): (p["crew"], p["pieces"][0]["start"]) for p in placements}
    plan = {}
    for job in problem.jobs:
        keys = {a: (job.key, problem.activities[a].keys[0]) for a in job.activities}
        if all((job.key, key) in starts for a in job.activities for key in problem.activities[a].keys):
            for activity, key in keys.items():
                crew, start = starts[key]
                plan[activity] = (problem.crews.index(crew), minutes_at(problem, start))
    return plan
