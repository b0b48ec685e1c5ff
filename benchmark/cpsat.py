"""Plans a planning file with CP-SAT: `cpsat.py FILE --seconds S --workers W --mode cold|hinted|neighbourhood --out PLAN`.

The model has every activity's start and crew, and for each pair of activities whether one crew goes from the first straight
to the second on the same day: these arcs are the ways that are paid, and they order the crew's day. Rules and cost are
exact, so the objective is the cost that the audit counts, and the bound of a whole model is a bound on any plan's cost.

- cold: the whole model, nothing given. hinted: the same with a plan to start from (`--hint`, else the list schedule).
- neighbourhood: from that plan on, 2 to 8 houses at a time are planned anew, the others stay where they are.

Of a whole model with more than `ARCS_MAX` arcs only ways to the nearest houses are kept, and no bound is told.
The last line on standard output is a JSON object: `cost`, `bound` (or null), `seconds`, `status`, and sizes of the model.
"""

import argparse
import json
import random
import time
from bisect import bisect_left, bisect_right

from ortools.sat.python import cp_model

from listing import Schedule, greedy, neighbours
from problem import DAY, cost, crew_way, read, read_plan, write_plan

ARCS_MAX = 150_000
# A neighbourhood is given so many seconds at most.
NEIGHBOURHOOD_SECONDS = 10
HOUSES_FREE = range(2, 9)
# In a neighbourhood the free houses' crews may change with those of so many other crews.
OTHER_CREWS = 2
# Free houses may end so many days later than the last of them does now.
DAYS_LATER = 3


def heads_and_tails(problem):
    """Earliest starts and latest starts of all activities (minutes), each chain on its own with all crews free."""
    heads, tails = {}, {}
    for job in problem.jobs:
        ready = max(problem.now, job.release)
        for number in job.activities:
            activity = problem.activities[number]
            choices = []
            for crew, length in activity.lengths.items():
                for first, last in problem.windows(crew, job.house, length):
                    if last >= ready:
                        choices.append((max(first, ready), max(first, ready) + length))
                        break
            heads[number] = min(start for start, _ in choices)
            ready = min(end for _, end in choices) + activity.next_min
        until = problem.end
        for number in reversed(job.activities):
            activity = problem.activities[number]
            until -= activity.next_min if number != job.activities[-1] else 0
            choices = []
            for crew, length in activity.lengths.items():
                for first, last in reversed(problem.windows(crew, job.house, length)):
                    if first + length <= until:
                        choices.append(min(last, until - length))
                        break
            tails[number] = until = max(choices)
    return heads, tails


class Model:
    """A CP-SAT model of `problem` in which the activities of `free` jobs move and those of `fixed` stay.

    `fixed`: {activity: (crew, start)} of other jobs. `crews`: those that free activities may have. `until`: latest finish,
    minutes. `nearest`: how many other houses ways lead to from each, None for all.
    """

    def __init__(self, problem, free, fixed, crews, until, nearest=None):
        self.problem, self.free_jobs, self.fixed = problem, free, fixed
        self.model = cp_model.CpModel()
        self.starts, self.by, self.key, self.spread, self.arcs, self.homes = {}, {}, {}, {}, {}, {}
        self.terms, self.hints = [], []
        self.free = [a for job in free for a in problem.jobs[job].activities]
        self.booked = {crew: [] for crew in crews}
        for activity, (crew, start) in fixed.items():
            if crew in self.booked:
                house = problem.house_of(activity)
                self.booked[crew].append((start, problem.finish(activity, crew, start), activity, house))
        for bookings in self.booked.values():
            bookings.sort()
        heads, tails = heads_and_tails(problem)
        for activity in self.free:
            self._activity(activity, crews, heads[activity], min(tails[activity], until))
        for job in free:
            self._job(job)
        self._gear()
        self._ways(nearest)
        self.model.minimize(sum(weight * term for weight, term in self.terms))

    def _possible(self, activity, crew, head, tail):
        """[(first, last)] starts of a crew beside what it is booked for, ways included."""
        problem, house = self.problem, self.problem.house_of(activity)
        length, ways, booked = problem.activities[activity].lengths[crew], problem.ways[house], self.booked[crew]
        out = []
        for first, last in problem.windows(crew, house, length):
            first, last = max(first, head), min(last, tail)
            position = bisect_left(booked, (first - DAY,))
            while position < len(booked) and booked[position][0] < last + length + DAY and first <= last:
                start, end, _, other = booked[position]
                if start - ways[other] - length >= first:
                    out.append((first, min(last, start - ways[other] - length)))
                first = max(first, end + ways[other])
                position += 1
            if first <= last:
                out.append((first, last))
        return out

    def _activity(self, activity, crews, head, tail):
        model, lengths = self.model, self.problem.activities[activity].lengths
        spread = {crew: self._possible(activity, crew, head, tail) for crew in lengths if crew in self.booked}
        spread = {crew: spans for crew, spans in spread.items() if spans}
        every = cp_model.Domain.from_intervals([list(span) for spans in spread.values() for span in spans])
        start = model.new_int_var_from_domain(every, f"start{activity}")
        by = {crew: model.new_bool_var(f"by{activity}_{crew}") for crew in spread}
        model.add_exactly_one(by.values())
        for crew, spans in spread.items():
            domain = cp_model.Domain.from_intervals([list(span) for span in spans])
            if len(by) > 1:
                model.add_linear_expression_in_domain(start, domain).only_enforce_if(by[crew])
        first, last = every.min() // DAY, every.max() // DAY
        day = model.new_int_var(first, last, f"day{activity}")
        model.add_linear_constraint(start - DAY * day, 0, DAY - 1)
        count = len(self.problem.crews)
        key = model.new_int_var(first * count, last * count + count - 1, f"key{activity}")
        model.add(key == count * day + sum(crew * literal for crew, literal in by.items()))
        self.starts[activity], self.by[activity], self.key[activity], self.spread[activity] = start, by, key, spread
        self.hints += [(start, lambda plan: plan[activity][1]), (day, lambda plan: plan[activity][1] // DAY)]
        self.hints.append((key, lambda plan: self._crew_day(plan, activity)))
        self.hints += [(literal, lambda plan, crew=crew: plan[activity][0] == crew) for crew, literal in by.items()]

    def _crew_day(self, plan, activity):
        crew, start = plan[activity]
        return len(self.problem.crews) * (start // DAY) + crew

    def _length(self, activity):
        lengths = {self.problem.activities[activity].lengths[crew] for crew in self.by[activity]}
        if len(lengths) == 1:
            return lengths.pop()
        return sum(self.problem.activities[activity].lengths[crew] * by for crew, by in self.by[activity].items())

    def _end(self, activity):
        return self.starts[activity] + self._length(activity)

    def _job(self, job):
        """Order, waits, finish, lateness and changes of crew."""
        problem, model, content, weights = self.problem, self.model, self.problem.jobs[job], self.problem.cost
        for before, after in zip(content.activities, content.activities[1:]):
            limits = problem.activities[before]
            model.add(self.starts[after] >= self._end(before) + limits.next_min)
            if limits.next_max is not None:
                model.add(self.starts[after] <= self._end(before) + limits.next_max)
            changed = model.new_bool_var(f"changed{before}")
            for crew, literal in self.by[before].items():
                model.add_bool_or([~literal, changed] + [self.by[after][crew]] * (crew in self.by[after]))
            self.terms.append((weights["hand_over"], changed))
            self.hints.append((changed, lambda plan, a=before, b=after: plan[a][0] != plan[b][0]))
        last = content.activities[-1]
        self.terms.append((content.weight * weights["finish_minute"], self._end(last) - content.release))
        if content.due is not None:
            late = model.new_int_var(0, max(0, problem.end - content.due), f"late{job}")
            model.add(late >= self._end(last) - content.due)
            self.terms.append((content.weight * weights["late_minute"], late))
            self.hints.append((late, lambda plan: max(0, problem.finish(last, *plan[last]) - content.due)))

    def _gear(self):
        for kind, count in zip(self.problem.kinds, self.problem.units):
            users = [(a, self.problem.activities[a].gear.get(kind, 0)) for a in self.free]
            intervals, needs = [], []
            for activity, needed in users:
                if needed:
                    length = self._length(activity)
                    span = (self.starts[activity], length, self.starts[activity] + length)
                    intervals.append(self.model.new_interval_var(*span, f"{kind}{activity}"))
                    needs.append(needed)
            if not intervals:
                continue
            for activity, (crew, start) in self.fixed.items():
                needed = self.problem.activities[activity].gear.get(kind, 0)
                if needed:
                    length = self.problem.activities[activity].lengths[crew]
                    intervals.append(self.model.new_fixed_size_interval_var(start, length, f"{kind}{activity}"))
                    needs.append(needed)
            self.model.add_cumulative(intervals, needs, count)

    def _ways(self, nearest):
        """Who goes from where to where: arcs between activities of one crew and day, and the ways from and to home."""
        problem, model = self.problem, self.model
        for crew in self.booked:
            mine = [a for a in self.free if crew in self.by[a]]
            spans = [
                model.new_optional_fixed_size_interval_var(
                    self.starts[a], problem.activities[a].lengths[crew], self.by[a][crew], f"work{a}_{crew}"
                )
                for a in mine
            ]
            model.add_no_overlap(spans)
        into, out_of = {a: [] for a in self.free}, {a: [] for a in self.free}
        for a, b in self._pairs(nearest):
            literal = model.new_bool_var(f"arc{a}_{b}")
            self.arcs[a, b] = literal
            into.setdefault(b, []).append(literal)
            out_of.setdefault(a, []).append(literal)
            way = problem.ways[problem.house_of(a)][problem.house_of(b)]
            model.add(self._start_of(b) >= self._end_of(a) + way).only_enforce_if(literal)
            model.add(self._key_of(a) == self._key_of(b)).only_enforce_if(literal)
            if way:
                self.terms.append((problem.cost["travel_minute"] * way, literal))
        near_fixed = [a for a in into if a not in self.starts]
        for place, arcs in (("first", into), ("last", out_of)):
            days = []
            for activity in self.free + near_fixed:
                if activity not in arcs:
                    # Nothing can come in between: it is first, or last, if and only if it is now.
                    continue
                home = model.new_bool_var(f"{place}{activity}")
                self.homes[place, activity] = home
                model.add_exactly_one([home, *arcs[activity]])
                key = self._key_of(activity)
                days.append(model.new_optional_fixed_size_interval_var(key, 1, home, f"{place}_day{activity}"))
                self._home_way(place, activity, home)
            model.add_no_overlap(days)
        self.hints += [(literal, lambda plan, pair=pair: pair in self._neighbours(plan)) for pair, literal in self.arcs.items()]
        for (place, activity), literal in self.homes.items():
            ends = {"first": 1, "last": 0}[place]
            self.hints.append((literal, lambda plan, a=activity, e=ends: a not in self._ends(plan)[e]))

    def _home_way(self, place, activity, home):
        house, points = self.problem.house_of(activity), self.problem.cost["travel_minute"]
        if activity in self.fixed:
            self.terms.append((points * self.problem.home_ways[self.fixed[activity][0]][house], home))
            return
        ways = {crew: self.problem.home_ways[crew][house] for crew in self.by[activity]}
        least = min(ways.values())
        self.terms.append((points * least, home))
        for crew, way in ways.items():
            if way > least:
                paid = self.model.new_bool_var(f"{place}_home{activity}_{crew}")
                self.model.add_bool_or([~home, ~self.by[activity][crew], paid])
                self.terms.append((points * (way - least), paid))
                ends = {"first": 1, "last": 0}[place]
                self.hints.append(
                    (paid, lambda plan, c=crew: plan[activity][0] == c and activity not in self._ends(plan)[ends])
                )

    def _start_of(self, activity):
        return self.fixed[activity][1] if activity in self.fixed else self.starts[activity]

    def _end_of(self, activity):
        if activity in self.fixed:
            return self.problem.finish(activity, *self.fixed[activity])
        return self._end(activity)

    def _key_of(self, activity):
        return self._crew_day(self.fixed, activity) if activity in self.fixed else self.key[activity]

    def _pairs(self, nearest):
        """Pairs of activities that one crew could do one after the other on one day."""
        problem = self.problem
        lowest = {a: min(span[0] for spans in self.spread[a].values() for span in spans) for a in self.free}
        highest = {a: max(span[-1] for spans in self.spread[a].values() for span in spans) for a in self.free}
        shortest = {a: min(problem.activities[a].lengths[crew] for crew in self.by[a]) for a in self.free}
        longest_day = max(b - a for spans in problem.crew_spans for a, b in spans)
        near = {}
        for house, ways in enumerate(problem.ways):
            near[house] = set(sorted(range(len(ways)), key=lambda other: ways[other])[: None if nearest is None else nearest + 1])
        for a in self.free:
            here = problem.house_of(a)
            for b in self.free:
                there = problem.house_of(b)
                if a == b or not self.by[a].keys() & self.by[b].keys() or lowest[a] + shortest[a] > highest[b]:
                    continue
                if here != there:
                    if there in near[here] or here in near[there]:
                        yield a, b
                elif a < b:
                    least = sum(shortest[c] + problem.activities[c].next_min for c in range(a, b)) + shortest[b]
                    if least <= longest_day:
                        yield a, b
        for crew, bookings in self.booked.items():
            for position, (start, end, fixed, house) in enumerate(bookings):
                same = lambda at: 0 <= at < len(bookings) and bookings[at][0] // DAY == start // DAY
                before = bookings[position - 1][1] if same(position - 1) else start // DAY * DAY
                after = bookings[position + 1][0] if same(position + 1) else (start // DAY + 1) * DAY
                if same(position + 1):
                    yield fixed, bookings[position + 1][2]
                for a in self.free:
                    spans = self.spread[a].get(crew, ())
                    at = bisect_right(spans, (end,))
                    if any(end <= span[1] and span[0] < after for span in spans[max(0, at - 1) : at + 2]):
                        yield fixed, a
                    at = bisect_right(spans, (before,))
                    if any(before <= span[1] and span[0] < start for span in spans[max(0, at - 1) : at + 2]):
                        yield a, fixed

    def _days(self, plan):
        """{(crew, day): [activities in order]} of the crews of the model."""
        if getattr(self, "_days_of", None) is not plan:
            self._days_of, self._day_lists = plan, {}
            for start, crew, activity in sorted((start, crew, a) for a, (crew, start) in plan.items()):
                if crew in self.booked:
                    self._day_lists.setdefault((crew, start // DAY), []).append(activity)
            lists = self._day_lists.values()
            self._pairs_of = {pair for day in lists for pair in zip(day, day[1:])}
            self._ends_of = ({a for a, _ in self._pairs_of}, {b for _, b in self._pairs_of})
        return self._day_lists

    def _neighbours(self, plan):
        self._days(plan)
        return self._pairs_of

    def _ends(self, plan):
        """(those that have one after them, those that have one before them) on their crew's day."""
        self._days(plan)
        return self._ends_of

    def hint(self, plan):
        for variable, value in self.hints:
            self.model.add_hint(variable, int(value(plan)))

    def solve(self, seconds, workers, seed):
        """(status name, {activity: (crew, start)} of the free ones or None, objective, bound)."""
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = max(0.01, seconds)
        solver.parameters.num_workers = workers
        solver.parameters.random_seed = seed
        status = solver.solve(self.model)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return solver.status_name(status), None, None, solver.best_objective_bound
        plan = {
            a: (next(crew for crew, by in self.by[a].items() if solver.boolean_value(by)), solver.value(self.starts[a]))
            for a in self.free
        }
        return solver.status_name(status), plan, solver.objective_value, solver.best_objective_bound


def whole(problem, given, deadline, told):
    """The whole model; `given`: a plan to start from, or None. Returns (plan or {}, lower bound or None)."""
    count = len(problem.activities) ** 2
    nearest = None
    if count > ARCS_MAX:
        nearest = max(1, ARCS_MAX * len(problem.houses) // count)
    jobs, crews = range(len(problem.jobs)), range(len(problem.crews))
    began = time.monotonic()
    model = Model(problem, jobs, {}, crews, problem.end, nearest)
    if given:
        model.hint(given)
    told |= {"build_seconds": round(time.monotonic() - began, 1), "arcs": len(model.arcs), "nearest": nearest}
    status, plan, objective, bound = model.solve(deadline - time.monotonic(), told["workers"], told["seed"])
    told["status"] = status
    if plan is None:
        plan = given or {}
    else:
        counted = cost(problem, plan)["total"]
        assert round(objective) == counted, f"the objective is {objective}, the cost {counted}"
    # A plan that leaves a step out costs that much at least, and is not in the model.
    bound = max(0, min(round(bound), problem.cost["unplaced_step"])) if nearest is None else None
    return plan, bound


def neighbourhoods(problem, plan, deadline, told):
    """Plans a few houses at a time anew until `deadline`; returns the plan."""
    draw, count, tried, better = random.Random(told["seed"]), 2, 0, 0
    plan, current = dict(plan), cost(problem, plan)["total"]
    while time.monotonic() < deadline:
        schedule = Schedule(problem)
        for activity, (crew, start) in plan.items():
            schedule.put(activity, crew, start)
        jobs = neighbours(problem, schedule, min(count, len(problem.jobs)), draw)
        free = {a: plan[a] for job in jobs for a in problem.jobs[job].activities}
        fixed = {a: place for a, place in plan.items() if a not in free}
        crews = {crew for crew, _ in free.values()}
        others = [crew for crew in range(len(problem.crews)) if crew not in crews]
        crews |= set(draw.sample(others, min(OTHER_CREWS, len(others))))
        until = max(start for _, start in free.values()) + DAYS_LATER * DAY
        model = Model(problem, jobs, fixed, sorted(crews), until)
        model.hint(plan)
        seconds = min(NEIGHBOURHOOD_SECONDS, deadline - time.monotonic())
        if seconds <= 0:
            break
        status, found, _, _ = model.solve(seconds, told["workers"], told["seed"] + tried)
        tried += 1
        if found:
            new = fixed | found
            value = cost(problem, new)["total"]
            if value < current:
                plan, current, better = new, value, better + 1
        # What is solved to the end may be larger, what is not may be smaller.
        count = min(count + 1, HOUSES_FREE[-1]) if status == "OPTIMAL" else max(count - 1, HOUSES_FREE[0])
    told |= {"status": "FEASIBLE", "neighbourhoods": tried, "better": better, "houses_free_last": count}
    return plan


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("file")
    arguments.add_argument("--seconds", type=float, default=60, help="wall clock, reading and building included")
    arguments.add_argument("--workers", type=int, default=1)
    arguments.add_argument("--mode", choices=["cold", "hinted", "neighbourhood"], default="cold")
    arguments.add_argument("--hint", help="plan file to start from; left out: the list schedule")
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--out", required=True)
    given = arguments.parse_args()
    began = time.monotonic()
    deadline = began + given.seconds
    problem = read(given.file)
    told = {"mode": given.mode, "workers": given.workers, "seed": given.seed, "bound": None}
    start = None
    if given.mode != "cold":
        start = read_plan(given.hint, problem) if given.hint else greedy(problem).plan
        told["start_cost"] = cost(problem, start)["total"]
    if given.mode == "neighbourhood":
        plan = neighbourhoods(problem, start, deadline, told)
    else:
        plan, told["bound"] = whole(problem, start, deadline, told)
    write_plan(given.out, problem, plan, told["bound"] or 0)
    told |= {"cost": cost(problem, plan)["total"], "seconds": round(time.monotonic() - began, 2)}
    print(json.dumps(told))


if __name__ == "__main__":
    main()
