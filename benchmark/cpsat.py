"""Plans a planning file with CP-SAT: `cpsat.py FILE --seconds S --workers W --mode cold|hinted|neighbourhood --out PLAN`.

The whole model has every activity's start and crew, and for each pair of activities whether one crew goes from the first
straight to the second on the same day: these arcs are the ways that are paid, and they order the crew's day. Rules and cost
are exact: the objective is the cost that the audit counts, and the bound is a bound on any plan's cost. The coarse model has
no arcs: after each activity the crew goes on in the same house at once, or keeps the longest way free. All its plans keep the
rules, not all plans are in it, and it only estimates ways; it is there because the whole model finds no first plan by itself.

- cold: the coarse model for a quarter of the time, then the whole model from its plan on.
- hinted: the whole model from a plan on (`--hint`, else the list schedule).
- neighbourhood: from that plan on, 2 to 8 houses at a time are planned anew in a whole model in which the others stay.

Where the whole model would have more than `ARCS_MAX` arcs, cold and hinted stay with the coarse model, and no bound is told.
The last line on standard output is a JSON object: `cost`, `bound` (or null), `seconds`, `status`, and what was done.
"""

import argparse
import json
import random
import time

BEGAN = time.monotonic()  # before the solver is loaded, which counts

from bisect import bisect_left, bisect_right

from ortools.sat.python import cp_model

from listing import Schedule, greedy, neighbours, parts_cost, urgency_order
from problem import DAY, cost, read, read_plan, write_plan

ARCS_MAX = 100_000
# Of the time, the coarse model's share before the whole one.
COARSE_SHARE = 0.25
# A neighbourhood is given so many seconds at most.
NEIGHBOURHOOD_SECONDS = 3
HOUSES_FREE = range(2, 9)
# In a neighbourhood the free houses' crews may change with those of so many other crews.
OTHER_CREWS = 2
# Steps of free houses may start so many days earlier or later than they do.
DAYS_EARLIER, DAYS_LATER = 3, 1


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

    `fixed`: {activity: (crew, start)} of other jobs. `crews`: those that free activities may have. `reach`: {activity:
    (earliest, latest) start}, minutes, of free ones, if not any. `coarse`: without arcs, see above; nothing may be fixed then.
    """

    def __init__(self, problem, free, fixed, crews, reach=None, coarse=False):
        self.problem, self.fixed, self.coarse = problem, fixed, coarse
        self.model = cp_model.CpModel()
        self.free = [a for job in free for a in problem.jobs[job].activities]
        # By activity: start, {crew: literal}, crew and day in one number, [(crew, first, last) starts that are possible].
        self.starts, self.by, self.keys, self.slots = {}, {}, {}, {}
        self.lengths, self.ends = {}, {}
        # {(a, b): literal}: b comes straight after a. {("first" or "last", a): literal}: of its crew's day.
        self.arcs, self.homes = {}, {}
        self.terms = []  # (cost points, variable) of the objective
        self.hints = []  # (variable, its value as a function of a plan)
        self.booked = {crew: [] for crew in crews}  # sorted [(start, end, activity, house)] of `fixed`
        for activity, (crew, start) in fixed.items():
            if crew in self.booked:
                place = (start, problem.finish(activity, crew, start), activity, problem.house_of(activity))
                self.booked[crew].append(place)
        for bookings in self.booked.values():
            bookings.sort()
        heads, tails = heads_and_tails(problem)
        for activity in self.free:
            earliest, latest = reach[activity] if reach else (problem.now, problem.end)
            self._activity(activity, max(heads[activity], earliest), min(tails[activity], latest))
        for job in free:
            self._job(job)
        self._gear()
        if coarse:
            self._coarse_ways()
        else:
            self._ways()
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

    def _activity(self, activity, head, tail):
        """Start, crew, day, and a literal for each slot: a span of possible starts in one shift of one crew."""
        model, lengths = self.model, self.problem.activities[activity].lengths
        spans = {crew: self._possible(activity, crew, head, tail) for crew in lengths if crew in self.booked}
        spans = {crew: starts for crew, starts in spans.items() if starts}
        slots = [(crew, *span) for crew, starts in spans.items() for span in starts]
        every = cp_model.Domain.from_intervals([[first, last] for _, first, last in slots])
        start = model.new_int_var_from_domain(every, f"start{activity}")
        by = {crew: model.new_bool_var(f"by{activity}_{crew}") for crew in spans}
        model.add_exactly_one(by.values())
        self.starts[activity], self.by[activity], self.slots[activity] = start, by, slots
        self.lengths[activity], self.ends[activity] = self._length_and_end(activity)
        self.hints.append((start, lambda plan: plan[activity][1]))
        self.hints += [(literal, lambda plan, crew=crew: plan[activity][0] == crew) for crew, literal in by.items()]
        if self.coarse:
            for crew, literal in by.items():
                domain = cp_model.Domain.from_intervals([list(span) for span in spans[crew]])
                model.add_linear_expression_in_domain(start, domain).only_enforce_if(literal)
            return
        within = {}
        for crew, first, last in slots:
            literal = model.new_bool_var(f"in{activity}_{crew}_{first}")
            model.add_linear_constraint(start, first, last).only_enforce_if(literal)
            within.setdefault(crew, []).append((self._crew_day(crew, first), literal))
            self.hints.append(
                (literal, lambda plan, c=crew, f=first, l=last: plan[activity][0] == c and f <= plan[activity][1] <= l)
            )
        for crew, mine in within.items():
            model.add_exactly_one([~by[crew], *(literal for _, literal in mine)])
        days = [entry for mine in within.values() for entry in mine]
        key = model.new_int_var_from_domain(cp_model.Domain.from_values([day for day, _ in days]), f"key{activity}")
        model.add(key == sum(day * literal for day, literal in days))
        self.keys[activity] = key
        self.hints.append((key, lambda plan: self._crew_day(*plan[activity])))

    def _crew_day(self, crew, start):
        return len(self.problem.crews) * (start // DAY) + crew

    def _length_and_end(self, activity):
        """Two expressions, or variables where the length depends on the crew."""
        model, start, by = self.model, self.starts[activity], self.by[activity]
        minutes = {crew: self.problem.activities[activity].lengths[crew] for crew in by}
        if len(set(minutes.values())) == 1:
            length = next(iter(minutes.values()))
            return length, start + length
        length = model.new_int_var(min(minutes.values()), max(minutes.values()), f"length{activity}")
        end = model.new_int_var(0, self.problem.end, f"end{activity}")
        model.add(length == sum(minutes[crew] * literal for crew, literal in by.items()))
        model.add(end == start + length)
        self.hints.append((length, lambda plan: minutes[plan[activity][0]]))
        self.hints.append((end, lambda plan: plan[activity][1] + minutes[plan[activity][0]]))
        return length, end

    def _job(self, job):
        """Order, waits, finish, lateness and changes of crew."""
        problem, model, content, weights = self.problem, self.model, self.problem.jobs[job], self.problem.cost
        for before, after in zip(content.activities, content.activities[1:]):
            limits = problem.activities[before]
            model.add(self.starts[after] >= self._end_of(before) + limits.next_min)
            if limits.next_max is not None:
                model.add(self.starts[after] <= self._end_of(before) + limits.next_max)
            changed = model.new_bool_var(f"changed{before}")
            for crew, literal in self.by[before].items():
                other = self.by[after].get(crew)
                model.add_bool_or([~literal, changed] + ([other] if crew in self.by[after] else []))
                if crew in self.by[after]:
                    model.add_bool_or([~literal, ~other, ~changed])
            self.terms.append((weights["hand_over"], changed))
            self.hints.append((changed, lambda plan, a=before, b=after: plan[a][0] != plan[b][0]))
        last = content.activities[-1]
        self.terms.append((content.weight * weights["finish_minute"], self._end_of(last) - content.release))
        if content.due is not None:
            late = model.new_int_var(0, max(0, problem.end - content.due), f"late{job}")
            model.add_max_equality(late, [0, self._end_of(last) - content.due])
            self.terms.append((content.weight * weights["late_minute"], late))
            self.hints.append((late, lambda plan: max(0, problem.finish(last, *plan[last]) - content.due)))

    def _gear(self):
        for kind, count in zip(self.problem.kinds, self.problem.units):
            users = [(a, self.problem.activities[a].gear.get(kind, 0)) for a in self.free]
            intervals, needs = [], []
            for activity, needed in users:
                if needed:
                    span = (self.starts[activity], self.lengths[activity], self.ends[activity])
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

    def _works(self, crew, away):
        """No two activities of a crew at the same time; `away`: {activity: (length, end)} with its way after it."""
        spans = []
        for a in self.free:
            if crew in self.by[a]:
                minutes = self.problem.activities[a].lengths[crew]
                length, end = away[a] if away else (minutes, self.starts[a] + minutes)
                literal = self.by[a][crew]
                spans.append(self.model.new_optional_interval_var(self.starts[a], length, end, literal, f"work{a}_{crew}"))
        self.model.add_no_overlap(spans)

    def _coarse_ways(self):
        """Each activity is followed at once by the job's next one, or by the longest way from its house."""
        problem, model, away = self.problem, self.model, {}
        for a in self.free:
            ways = [way for way in problem.ways[problem.house_of(a)] if way]
            longest, mean = max(ways, default=0), sum(ways) // max(1, len(ways))
            gone = model.new_bool_var(f"gone{a}")
            last = a == problem.jobs[problem.activities[a].job].activities[-1]
            if last or problem.activities[a].next_min:
                model.add(gone == 1)
            else:
                for crew, literal in self.by[a].items():
                    model.add_bool_or([gone, ~literal] + ([self.by[a + 1][crew]] if crew in self.by[a + 1] else []))
                model.add(self.starts[a + 1] == self._end_of(a)).only_enforce_if(~gone)
            length = model.new_int_var(0, DAY, f"away{a}")
            end = model.new_int_var(0, problem.end + DAY, f"back{a}")
            model.add(length == self.lengths[a] + longest * gone)
            model.add(end == self.starts[a] + length)
            away[a] = (length, end)
            self.terms.append((problem.cost["travel_minute"] * mean, gone))
        for crew in self.booked:
            self._works(crew, away)
        # A first plan is found house by house, each as early as can be by the crews in turn: were all houses begun at
        # once, longest waits would be missed.
        for turn, job in enumerate(urgency_order(problem)):
            for a in problem.jobs[job].activities:
                crews = sorted(self.by[a], key=lambda crew: (crew - turn) % len(problem.crews))
                literals = [self.by[a][crew] for crew in crews]
                model.add_decision_strategy(literals, cp_model.CHOOSE_FIRST, cp_model.SELECT_MAX_VALUE)
                model.add_decision_strategy([self.starts[a]], cp_model.CHOOSE_FIRST, cp_model.SELECT_MIN_VALUE)

    def _ways(self):
        """Who goes from where to where: arcs between activities of one crew and day, and the ways from and to home."""
        problem, model = self.problem, self.model
        for crew in self.booked:
            self._works(crew, None)
        everyone = self.free + [booking[2] for bookings in self.booked.values() for booking in bookings]
        into, out_of = {a: [] for a in everyone}, {a: [] for a in everyone}
        for a, b in self._pairs():
            literal = self.arcs[a, b] = model.new_bool_var(f"arc{a}_{b}")
            into[b].append(literal)
            out_of[a].append(literal)
            way = problem.ways[problem.house_of(a)][problem.house_of(b)]
            model.add(self._start_of(b) >= self._end_of(a) + way).only_enforce_if(literal)
            model.add(self._key_of(a) == self._key_of(b)).only_enforce_if(literal)
            if way:
                self.terms.append((problem.cost["travel_minute"] * way, literal))
            self.hints.append((literal, lambda plan, pair=(a, b): pair in self._sequence(plan)[0]))
        for place, arcs in (("first", into), ("last", out_of)):
            days = []
            for activity, literals in arcs.items():
                home = self.homes[place, activity] = model.new_bool_var(f"{place}{activity}")
                model.add_exactly_one([home, *literals])
                days.append(model.new_optional_fixed_size_interval_var(self._key_of(activity), 1, home, f"{place}_day{activity}"))
                self.hints.append((home, lambda plan, p=place, a=activity: self._is_end(plan, p, a)))
                self._home_way(place, activity, home)
            model.add_no_overlap(days)

    def _home_way(self, place, activity, home):
        """Charges the way from or to home if `home` holds."""
        house, points = self.problem.house_of(activity), self.problem.cost["travel_minute"]
        if activity in self.fixed:
            self.terms.append((points * self.problem.home_ways[self.fixed[activity][0]][house], home))
            return
        ways = {crew: self.problem.home_ways[crew][house] for crew in self.by[activity]}
        least = min(ways.values())
        self.terms.append((points * least, home))
        for crew, way in ways.items():
            if way > least:
                paid, by = self.model.new_bool_var(f"{place}_home{activity}_{crew}"), self.by[activity][crew]
                self.model.add_bool_or([~home, ~by, paid])
                self.model.add_implication(paid, home)
                self.model.add_implication(paid, by)
                self.terms.append((points * (way - least), paid))
                self.hints.append(
                    (paid, lambda plan, c=crew: plan[activity][0] == c and self._is_end(plan, place, activity))
                )

    def _start_of(self, activity):
        return self.fixed[activity][1] if activity in self.fixed else self.starts[activity]

    def _end_of(self, activity):
        if activity in self.fixed:
            return self.problem.finish(activity, *self.fixed[activity])
        return self.ends[activity]

    def _key_of(self, activity):
        return self._crew_day(*self.fixed[activity]) if activity in self.fixed else self.keys[activity]

    def _pairs(self):
        """Pairs of activities that one crew could do one after the other on one day."""
        problem = self.problem
        lowest = {a: min(first for _, first, _ in self.slots[a]) for a in self.free}
        highest = {a: max(last for _, _, last in self.slots[a]) for a in self.free}
        shortest = {a: min(problem.activities[a].lengths[crew] for crew in self.by[a]) for a in self.free}
        spans_of = {a: {} for a in self.free}
        for a in self.free:
            for crew, first, last in self.slots[a]:
                spans_of[a].setdefault(crew, []).append((first, last))
        longest_day = max(b - a for spans in problem.crew_spans for a, b in spans)
        for a in self.free:
            here = problem.house_of(a)
            for b in self.free:
                there = problem.house_of(b)
                if a == b or not self.by[a].keys() & self.by[b].keys() or lowest[a] + shortest[a] > highest[b]:
                    continue
                if here != there:
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
                    spans = spans_of[a].get(crew, ())
                    at = bisect_right(spans, (end,))
                    if any(end <= span[1] and span[0] < after for span in spans[max(0, at - 1) : at + 2]):
                        yield fixed, a
                    at = bisect_right(spans, (before,))
                    if any(before <= span[1] and span[0] < start for span in spans[max(0, at - 1) : at + 2]):
                        yield a, fixed

    def _sequence(self, plan):
        """({(a, b): b comes straight after a}, {a: those}, {b: those}) of the crews' days in a plan."""
        if getattr(self, "_sequence_of", None) is not plan:
            days = {}
            for start, crew, activity in sorted((start, crew, a) for a, (crew, start) in plan.items()):
                days.setdefault((crew, start // DAY), []).append(activity)
            pairs = {pair for day in days.values() for pair in zip(day, day[1:])}
            self._sequence_of, self._pairs_of = plan, (pairs, {a for a, _ in pairs}, {b for _, b in pairs})
        return self._pairs_of

    def _is_end(self, plan, place, activity):
        _, before_others, after_others = self._sequence(plan)
        return activity not in (after_others if place == "first" else before_others)

    def hint(self, plan):
        for variable, value in self.hints:
            self.model.add_hint(variable, int(value(plan)))

    def solve(self, deadline, told, seed=0, first_plan=False):
        """(status, {activity: (crew, start)} of the free ones or None, objective, bound); until `deadline`, monotonic."""
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = max(0.01, deadline - time.monotonic())
        solver.parameters.num_workers = told["workers"]
        solver.parameters.random_seed = told["seed"] + seed
        # Probing and looking for symmetry take longer than they save here.
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.symmetry_level = 0
        if first_plan:
            solver.parameters.search_branching = cp_model.FIXED_SEARCH
            solver.parameters.stop_after_first_solution = True
        status = solver.solve(self.model)
        told["status"] = solver.status_name(status)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return told["status"], None, None, solver.best_objective_bound
        plan = {
            a: (next(crew for crew, by in self.by[a].items() if solver.boolean_value(by)), solver.value(self.starts[a]))
            for a in self.free
        }
        return told["status"], plan, solver.objective_value, solver.best_objective_bound


def coarse(problem, given, deadline, told):
    """The cheapest of `given` (a plan or {}) and what the coarse model finds."""
    model = Model(problem, range(len(problem.jobs)), {}, range(len(problem.crews)), coarse=True)
    best = given
    if not given:
        _, plan, told["coarse_first_points"], _ = model.solve(deadline, told, first_plan=True)
        best = plan or {}
    if best:
        model.hint(best)
        _, plan, _, _ = model.solve(deadline, told)
        best = min([plan or best, best], key=lambda plan: cost(problem, plan)["total"])
    told["coarse_cost"] = cost(problem, best)["total"]
    return best


def whole(problem, given, deadline, told):
    """The whole model from `given` (a plan or {}) on. Returns (plan or {}, lower bound)."""
    began = time.monotonic()
    model = Model(problem, range(len(problem.jobs)), {}, range(len(problem.crews)))
    if given:
        model.hint(given)
    told |= {"build_seconds": round(time.monotonic() - began, 1), "arcs": len(model.arcs)}
    _, plan, objective, bound = model.solve(deadline, told)
    if plan is None:
        plan = given
    else:
        counted = cost(problem, plan)["total"]
        assert round(objective) == counted, f"the objective is {objective}, the cost {counted}"
    # A plan that leaves a step out costs that much at least, and is not in the model.
    return plan, max(0, min(round(bound), problem.cost["unplaced_step"]))


def neighbourhoods(problem, plan, deadline, told):
    """Plans a few houses at a time anew until `deadline`; returns the plan."""
    draw, count, tried, better = random.Random(told["seed"]), 2, 0, 0
    plan, current = dict(plan), cost(problem, plan)["total"]
    while time.monotonic() < deadline:
        schedule = Schedule(problem, plan)
        jobs = neighbours(problem, schedule, min(count, len(problem.jobs)), draw)
        free = {a: plan[a] for job in jobs for a in problem.jobs[job].activities}
        fixed = {a: place for a, place in plan.items() if a not in free}
        crews = {crew for crew, _ in free.values()}
        others = [crew for crew in range(len(problem.crews)) if crew not in crews]
        crews |= set(draw.sample(others, min(OTHER_CREWS, len(others))))
        reach = {a: (start - DAYS_EARLIER * DAY, start + DAYS_LATER * DAY) for a, (_, start) in free.items()}
        model = Model(problem, jobs, fixed, sorted(crews), reach)
        model.hint(plan)
        end = min(deadline, time.monotonic() + NEIGHBOURHOOD_SECONDS)
        status, found, objective, _ = model.solve(end, told, seed=tried)
        tried += 1
        if found:
            new = fixed | found
            value = cost(problem, new)["total"]
            schedule = Schedule(problem, new)
            counted = parts_cost(problem, schedule, jobs, crews)
            assert round(objective) == counted, f"the objective is {objective}, the cost {counted}"
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
    deadline = BEGAN + given.seconds
    problem = read(given.file)
    told = {"mode": given.mode, "workers": given.workers, "seed": given.seed, "bound": None}
    fits = len(problem.activities) ** 2 <= ARCS_MAX
    plan = {}
    if given.mode != "cold":
        plan = read_plan(given.hint, problem) if given.hint else greedy(problem).plan
        told["start_cost"] = cost(problem, plan)["total"]
        if len(plan) < len(problem.activities):
            raise SystemExit("the plan to start from leaves steps out")
    elif fits:
        plan = coarse(problem, {}, BEGAN + COARSE_SHARE * given.seconds, told)
    if given.mode == "neighbourhood":
        plan = neighbourhoods(problem, plan, deadline, told)
    elif fits:
        plan, told["bound"] = whole(problem, plan, deadline, told)
    else:
        plan = coarse(problem, plan, deadline, told)
    write_plan(given.out, problem, plan, told["bound"] or 0)
    told |= {"cost": cost(problem, plan)["total"], "seconds": round(time.monotonic() - BEGAN, 2)}
    print(json.dumps(told))


if __name__ == "__main__":
    main()
