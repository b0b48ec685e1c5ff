"""Plain list scheduling, house by house, and a search over the order of houses: `listing.py FILE --seconds S --out PLAN`.

Each activity of a house goes, in the order of its chain, to the crew and the earliest free time that add least to the cost
(finish, lateness once due has passed, way, change of crew). The search takes a few houses out, puts them back one after
the other in a random order, and keeps plans that are not much dearer (a threshold that shrinks to nothing).
"""

import argparse
import bisect
import random
import time

from problem import DAY, cost, crew_way, job_cost, read, write_plan

HOUSES_OUT_MAX = 6
# Of a plan's mean cost by house, the share that a move may cost more at first.
THRESHOLD = 0.1
# A crew is passed over so often, so that not always the same one is best.
BLINK = 0.02


class Schedule:
    """A plan in the making: `plan` {activity: (crew, start)}, and who is where when."""

    def __init__(self, problem, plan=()):
        self.problem, self.plan = problem, {}
        self.bookings = [[] for _ in problem.crews]  # by crew: sorted [(start, end, activity, house)]
        self.gear = {kind: [] for kind in problem.kinds}  # by kind: sorted [(start, end, units)]
        for activity in plan:
            self.put(activity, *plan[activity])

    def put(self, activity, crew, start):
        self._change(activity, crew, start, bisect.insort)
        self.plan[activity] = (crew, start)

    def take(self, activity):
        self._change(activity, *self.plan.pop(activity), lambda entries, entry: entries.remove(entry))

    def _change(self, activity, crew, start, change):
        end = self.problem.finish(activity, crew, start)
        change(self.bookings[crew], (start, end, activity, self.problem.house_of(activity)))
        for kind, needed in self.problem.activities[activity].gear.items():
            change(self.gear[kind], (start, end, needed))

    def earliest(self, activity, crew, ready):
        """First free start at or after `ready`, or None: shifts, access, the crew's other work and ways, gear."""
        problem, house = self.problem, self.problem.house_of(activity)
        length, bookings = problem.activities[activity].lengths[crew], self.bookings[crew]
        for first, last in problem.windows(crew, house, length):
            start = max(first, ready)
            while start <= last:
                later = self._obstacle(activity, bookings, house, start, length)
                if later is None:
                    return start
                start = later
        return None

    def _obstacle(self, activity, bookings, house, start, length):
        """None if the time is free, else the first start that the obstacle found would allow."""
        ways = self.problem.ways[house]
        position = bisect.bisect_right(bookings, (start,))
        if position and bookings[position - 1][1] + ways[bookings[position - 1][3]] > start:
            return bookings[position - 1][1] + ways[bookings[position - 1][3]]
        if position < len(bookings) and start + length + ways[bookings[position][3]] > bookings[position][0]:
            return bookings[position][1] + ways[bookings[position][3]]
        for kind, needed in self.problem.activities[activity].gear.items():
            units = self.problem.units[self.problem.kinds.index(kind)]
            busy = [use for use in self.gear[kind] if use[0] < start + length and start < use[1]]
            for at in [start, *(use[0] for use in busy if use[0] > start)]:
                holders = [use for use in busy if use[0] <= at < use[1]]
                if sum(use[2] for use in holders) + needed > units:
                    return min(use[1] for use in holders)
        return None

    def added_way(self, crew, house, start):
        """Minutes on the road that one more visit adds to the crew's day."""
        bookings, day, home = self.bookings[crew], start // DAY, self.problem.home_ways[crew]
        position = bisect.bisect_right(bookings, (start,))
        before = bookings[position - 1][3] if position and bookings[position - 1][0] // DAY == day else None
        after = bookings[position][3] if position < len(bookings) and bookings[position][0] // DAY == day else None
        way = lambda a, b: home[b if a is None else a] if a is None or b is None else self.problem.ways[a][b]
        without = 0 if before is None and after is None else way(before, after)
        return way(before, house) + way(house, after) - without

    def add_job(self, job, draw=None):
        """Places a whole job; returns whether it could. `draw`: random.Random that lets crews be passed over."""
        problem, content, weights = self.problem, self.problem.jobs[job], self.problem.cost
        floor = dict.fromkeys(content.activities, max(problem.now, content.release))
        at = 0
        while at < len(content.activities):
            number = content.activities[at]
            activity, ready, latest, crew_before = problem.activities[number], floor[number], problem.end, None
            if at:
                before = content.activities[at - 1]
                crew_before, start = self.plan[before]
                finish, limits = problem.finish(before, crew_before, start), problem.activities[before]
                ready = max(ready, finish + limits.next_min)
                latest = finish + limits.next_max if limits.next_max is not None else latest
            choices = []
            for crew in activity.lengths:
                start = self.earliest(number, crew, ready)
                if start is None or (draw and draw.random() < BLINK and choices):
                    continue
                end = start + activity.lengths[crew]
                late = weights["late_minute"] * max(0, end - (content.due if content.due is not None else end))
                points = content.weight * (weights["finish_minute"] * end + late)
                points += weights["travel_minute"] * self.added_way(crew, content.house, start)
                points += weights["hand_over"] * (crew_before not in (None, crew))
                choices.append((start > latest, points, start, crew))
            if not choices:
                self.remove_job(job)
                return False
            too_late, _, start, crew = min(choices)
            if too_late:
                # Its predecessor has to come later, so that the longest wait is kept.
                floor[before] = max(floor[before], self.plan[before][1] + start - latest)
                self.take(before)
                at -= 1
                continue
            self.put(number, crew, start)
            at += 1
        return True

    def remove_job(self, job):
        for activity in self.problem.jobs[job].activities:
            if activity in self.plan:
                self.take(activity)

    def total(self):
        """Cost points, steps left out included."""
        return cost(self.problem, self.plan)["total"]


def urgency_order(problem):
    """Jobs by due date, the weightier first."""
    never = problem.end
    return sorted(range(len(problem.jobs)), key=lambda j: (problem.jobs[j].due or never, -problem.jobs[j].weight))


def greedy(problem, deadline=None):
    """The plan of list scheduling in order of due dates; jobs past `deadline` (time.monotonic) are left out."""
    schedule = Schedule(problem)
    for job in urgency_order(problem):
        if deadline and time.monotonic() > deadline:
            break
        schedule.add_job(job)
    return schedule


def neighbours(problem, schedule, count, draw):
    """`count` jobs: one at random, and others that its crews work on at about that time, or any."""
    chosen = [draw.randrange(len(problem.jobs))]
    activity = draw.choice(problem.jobs[chosen[0]].activities)
    if activity in schedule.plan and draw.random() < 0.8:
        crew, start = schedule.plan[activity]
        near = sorted(schedule.bookings[crew], key=lambda booking: abs(booking[0] - start))
        chosen += [problem.activities[booking[2]].job for booking in near]
    chosen += draw.sample(range(len(problem.jobs)), min(count, len(problem.jobs)))
    return list(dict.fromkeys(chosen))[:count]


def parts_cost(problem, schedule, jobs, crews):
    """Cost points of some jobs and of the ways of some crews."""
    total = sum(sum(job_cost(problem, job, schedule.plan).values()) for job in jobs)
    ways = sum(crew_way(problem, crew, schedule.bookings[crew]) for crew in crews)
    return total + problem.cost["travel_minute"] * ways


def search(problem, schedule, deadline, seed):
    """Improves `schedule` until `deadline` (time.monotonic); returns the best plan and the moves made."""
    draw, moves, began = random.Random(seed), 0, time.monotonic()
    current = schedule.total()
    best, best_plan = current, dict(schedule.plan)
    crews = range(len(problem.crews))
    while (now := time.monotonic()) < deadline:
        moves += 1
        slack = THRESHOLD * best / len(problem.jobs) * (deadline - now) / (deadline - began) * draw.random()
        jobs = neighbours(problem, schedule, draw.randint(1, HOUSES_OUT_MAX), draw)
        whole = all(a in schedule.plan for job in jobs for a in problem.jobs[job].activities)
        before = {a: schedule.plan[a] for job in jobs for a in problem.jobs[job].activities if a in schedule.plan}
        cost_before = parts_cost(problem, schedule, jobs, crews) if whole else None
        for job in jobs:
            schedule.remove_job(job)
        draw.shuffle(jobs)
        placed = all([schedule.add_job(job, draw) for job in jobs])
        if placed and whole:
            value = current + parts_cost(problem, schedule, jobs, crews) - cost_before
        else:
            value = schedule.total()
        if value <= current + slack:
            current = value
            if value < best:
                best, best_plan = value, dict(schedule.plan)
            continue
        for job in jobs:
            schedule.remove_job(job)
        for activity, (crew, start) in before.items():
            schedule.put(activity, crew, start)
    return best_plan, moves


def main():
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("file")
    arguments.add_argument("--seconds", type=float, default=10, help="0: the list schedule alone")
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--out", required=True)
    given = arguments.parse_args()
    deadline = time.monotonic() + given.seconds
    problem = read(given.file)
    schedule = greedy(problem)
    first = schedule.total()
    plan, moves = search(problem, schedule, deadline, given.seed)
    write_plan(given.out, problem, plan)
    print(f"list schedule {first}, after {moves} moves {cost(problem, plan)['total']}")


if __name__ == "__main__":
    main()
