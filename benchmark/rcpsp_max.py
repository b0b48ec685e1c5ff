"""Published RCPSP/max instances (`*.sch`) by CP-SAT, and a table of its results beside the program's own.

    rcpsp_max.py solve DIRECTORY --seconds 60 --workers 2 --out cpsat.csv [--total-seconds S]
    rcpsp_max.py table --cpsat cpsat.csv --tackfree FOLDER [--known DIRECTORY]

`solve` takes the instances in an order drawn with a fixed seed, so that what fits into --total-seconds is a sample, and appends a
line for each to the CSV: set, instance, status, makespan, bound, seconds by the clock and of all processors. What is in the file
already is not solved again.

`table` reads one output of `cargo run --release --example rcpsp_max -- DIRECTORY ...` for each set from FOLDER/SET.txt. With
--known, FOLDER of the sets, deviations from the best known values (`optimum.csv` beside the instances) are told as well.
"""

import argparse
import csv
import random
import re
import statistics
import time
from pathlib import Path

COLUMNS = ["set", "instance", "status", "makespan", "bound", "seconds", "cpu_seconds"]


def read(path):
    """Durations, demands by activity, capacities, and (from, to, start-to-start lag) of an instance."""
    lines = [[int(word.strip("[]")) for word in line.split()] for line in path.read_text().splitlines() if line.strip()]
    count, resources = lines[0][0] + 2, lines[0][1]
    lags = []
    for line in lines[1 : count + 1]:
        successors = line[2]
        for to, lag in zip(line[3 : 3 + successors], line[3 + successors : 3 + 2 * successors]):
            lags.append((line[0], to, lag))
    rows = lines[count + 1 : 2 * count + 1]
    return [row[2] for row in rows], [row[3 : 3 + resources] for row in rows], lines[2 * count + 1][:resources], lags


def solve(path, seconds, workers):
    """Status, makespan or None, bound or None."""
    from ortools.sat.python import cp_model

    durations, demands, capacities, lags = read(path)
    horizon = sum(max([duration] + [lag for f, _, lag in lags if f == number]) for number, duration in enumerate(durations))
    model = cp_model.CpModel()
    starts = [model.new_int_var(0, horizon, f"start {number}") for number in range(len(durations))]
    intervals = [model.new_fixed_size_interval_var(start, length, "") for start, length in zip(starts, durations)]
    for origin, to, lag in lags:
        model.add(starts[to] >= starts[origin] + lag)
    for resource, capacity in enumerate(capacities):
        users = [number for number, demand in enumerate(demands) if demand[resource] > 0]
        model.add_cumulative([intervals[u] for u in users], [demands[u][resource] for u in users], capacity)
    end = model.new_int_var(0, horizon, "end")
    for start, length in zip(starts, durations):
        model.add(end >= start + length)
    model.minimize(end)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    status = solver.solve(model)
    found = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    bound = round(solver.best_objective_bound) if status != cp_model.INFEASIBLE else None
    return solver.status_name(status), round(solver.objective_value) if found else None, bound


def by_number(path):
    return int(re.sub(r"\D", "", path.stem) or 0)


def solve_all(arguments):
    done = set()
    if arguments.out.exists():
        with arguments.out.open() as file:
            done = {(row["set"], row["instance"]) for row in csv.DictReader(file)}
    paths = sorted((path for path in arguments.directory.iterdir() if path.suffix.lower() == ".sch"), key=by_number)
    random.Random(1).shuffle(paths)
    began = time.monotonic()
    with arguments.out.open("a", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if not done and file.tell() == 0:
            writer.writerow(COLUMNS)
        for path in paths:
            left = arguments.total_seconds - (time.monotonic() - began)
            if (arguments.directory.name, path.name) in done or left < arguments.seconds:
                continue
            start, cpu_start = time.monotonic(), time.process_time()
            status, makespan, bound = solve(path, arguments.seconds, arguments.workers)
            seconds = [f"{value:.1f}" for value in (time.monotonic() - start, time.process_time() - cpu_start)]
            row = [arguments.directory.name, path.name, status, makespan, bound, *seconds]
            writer.writerow(["" if value is None else value for value in row])
            file.flush()
            print(*row)


def known_values(folder):
    """{instance: best known makespan, or None where it is known to have no solution}."""
    path = folder / "optimum.csv"
    if not path.exists():
        return {}
    with path.open() as file:
        rows = list(csv.DictReader(file))
    return {
        row["problem"].lower(): None if row["optimum"] == "unsat" else int(row["optimum"].split("..")[-1]) for row in rows
    }


def own_results(path):
    """({instance: makespan or None}, instances that are proven) of an output of the example."""
    lines = (line.split() for line in path.read_text().splitlines())
    rows = [words for words in lines if len(words) >= 5 and words[0].lower().endswith(".sch")]
    makespans = {words[0].lower(): None if words[2] == "-" else int(words[2]) for words in rows}
    return makespans, {words[0].lower() for words in rows if words[5:] == ["yes"]}


def deviation(pairs):
    """Mean of how far the first value lies above the second, percent, and the number of pairs."""
    above = [100 * (value - other) / other for value, other in pairs if value is not None and other is not None]
    return f"{statistics.mean(above):+.2f} % of {len(above)}" if above else "-"


def table(arguments):
    with arguments.cpsat.open() as file:
        rows = list(csv.DictReader(file))
    print("| set | instances | feasible | proven best | proven infeasible | above best known | CP-SAT's sample | feasible there: CP-SAT | "
          "tackfree | solved to the end there: CP-SAT | tackfree | tackfree above CP-SAT |")
    print("|" + "---|" * 12)
    for path in sorted(arguments.tackfree.glob("*.txt")):
        own, proven = own_results(path)
        theirs = {
            row["instance"].lower(): int(row["makespan"]) if row["makespan"] else None
            for row in rows
            if row["set"] == path.stem and row["instance"].lower() in own
        }
        known = known_values(arguments.known / path.stem) if arguments.known else {}
        settled = {row["instance"].lower() for row in rows if row["set"] == path.stem and row["status"] in ("OPTIMAL", "INFEASIBLE")}
        infeasible = sum(own[name] is None for name in proven)
        cells = [
            path.stem, len(own), sum(value is not None for value in own.values()), len(proven) - infeasible, infeasible,
            deviation([(own[name], known[name]) for name in own if name in known]), len(theirs),
            sum(value is not None for value in theirs.values()), sum(own[name] is not None for name in theirs),
            len(settled), len(proven & theirs.keys()), deviation([(own[name], theirs[name]) for name in theirs]),
        ]
        print("| " + " | ".join(str(cell) for cell in cells) + " |")
        for name in theirs:
            if own[name] is None and theirs[name] is not None or None not in (own[name], theirs[name]) and own[name] > theirs[name]:
                print(f"  CP-SAT is better: {name} {theirs[name]}, tackfree {own[name]}")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(required=True)
    solving = commands.add_parser("solve")
    solving.add_argument("directory", type=Path)
    solving.add_argument("--seconds", type=float, default=60)
    solving.add_argument("--total-seconds", type=float, default=float("inf"))
    solving.add_argument("--workers", type=int, default=2)
    solving.add_argument("--out", type=Path, required=True)
    solving.set_defaults(run=solve_all)
    telling = commands.add_parser("table")
    telling.add_argument("--cpsat", type=Path, required=True)
    telling.add_argument("--tackfree", type=Path, required=True)
    telling.add_argument("--known", type=Path)
    telling.set_defaults(run=table)
    arguments = parser.parse_args()
    arguments.run(arguments)


if __name__ == "__main__":
    main()
