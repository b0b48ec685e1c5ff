"""Runs the program and every baseline on made-up companies, has all plans audited, and writes CSV, table and plots.

    benchmark/run.py --tackfree target/release/tackfree --generator target/release/examples/benchmark_company \\
        --seconds 60 --seeds 1 2 3 --out FOLDER

Every method gets the same wall-clock limit a file, from the start of its process to its end. The program has no limit of
time: its moves are chosen from two short runs, and its whole time is measured; a run over the limit, or far below it, is
done again with fewer, or more. Runs are one after the other. Rows that `results.csv` already has are not run again; delete it to start anew.
`results.csv`: houses, crews, seed, method, cost (points, as the audit counts), left_out (steps), seconds, bound (points, or
empty), audited (yes, or no with the reason in `note`). Also `results.md`, `cost.svg`, `bound.svg`, and all plans.
"""

import argparse
import csv
import json
import math
import re
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
SIZES = [(5, 2), (15, 4), (40, 8), (100, 20)]
METHODS = ["tackfree", "list-schedule", "list-search", "cpsat-cold", "cpsat-hinted", "cpsat-neighbourhood"]
COLUMNS = ["houses", "crews", "seed", "method", "cost", "left_out", "seconds", "bound", "audited", "note"]
# Moves of the two short runs, and the share of the limit that the moves are chosen for.
TRIAL_MOVES = (1_000, 20_000)
FILLED = 0.95
# A first run that takes less than this share of the limit is done again with more moves.
USED_LEAST = 0.85
# A process that is over its limit by this factor is stopped, and has no plan.
PATIENCE = 2


def timed(command, limit):
    """(wall seconds, standard output, fault or "") of a command that is stopped at `limit` seconds."""
    began = time.monotonic()
    try:
        done = subprocess.run([str(part) for part in command], capture_output=True, text=True, timeout=limit)
    except subprocess.TimeoutExpired:
        return time.monotonic() - began, "", f"stopped after {limit:.0f} s"
    fault = "" if done.returncode == 0 else (done.stderr.strip().splitlines() or ["failed"])[-1][:120]
    return time.monotonic() - began, done.stdout, fault


def run_tackfree(given, file, plan, seed):
    """(seconds, bound, fault, note) of the program, with as many moves as the limit allows."""
    command = lambda moves: [given.tackfree, "plan", file, "--seed", seed, "--moves", moves, "--out", plan]
    short, long = (timed(command(moves), given.seconds)[0] for moves in TRIAL_MOVES)
    a_move = max((long - short) / (TRIAL_MOVES[1] - TRIAL_MOVES[0]), 1e-6)
    moves = max(1, int((FILLED * given.seconds - short) / a_move))
    runs = 0
    while True:
        plan.unlink(missing_ok=True)
        seconds, _, fault = timed(command(moves), PATIENCE * given.seconds)
        runs += 1
        in_time = seconds <= given.seconds
        if moves == 1 or (in_time and (runs > 1 or seconds > USED_LEAST * given.seconds)):
            break
        moves = max(1, int(moves * FILLED * given.seconds / seconds))
    bound = json.loads(plan.read_text())["lower_bound"] if plan.exists() else None
    return seconds, bound, fault, f"{moves} moves"


def run_baseline(given, method, file, plan, seed):
    """(seconds, bound, fault, note) of a baseline."""
    kind, mode = method.split("-")
    common = [file, "--seed", seed, "--out", plan, "--seconds", 0 if mode == "schedule" else given.seconds]
    if kind == "list":
        command = [sys.executable, HERE / "listing.py", *common]
    else:
        command = [sys.executable, HERE / "cpsat.py", *common, "--mode", mode, "--workers", given.workers]
    seconds, text, fault = timed(command, PATIENCE * given.seconds + 10)
    told = json.loads(text.splitlines()[-1]) if kind == "cpsat" and not fault else {}
    return seconds, told.get("bound"), fault, told.get("status", "")


def audit(tackfree, file, plan):
    """{"cost", "left_out", "audited", "note"} as the program's audit says; a plan it rejects has no cost."""
    if not plan.exists():
        return {"audited": "no", "note": "no plan"}
    done = subprocess.run([str(tackfree), "check-plan", str(file), str(plan)], capture_output=True, text=True)
    found = re.search(r"keeps every rule: \d+ steps placed, (\d+) left out, cost (\d+)", done.stdout)
    if not found:
        return {"audited": "no", "note": " ".join((done.stdout + done.stderr).split())[:200]}
    return {"audited": "yes", "left_out": int(found[1]), "cost": int(found[2])}


def read_rows(path):
    if not path.exists():
        return []
    with open(path, newline="", encoding="utf-8") as source:
        rows = list(csv.DictReader(source))
    for row in rows:
        for column in ("houses", "crews", "seed", "cost", "left_out", "bound"):
            row[column] = int(row[column]) if row[column] else None
        row["seconds"] = float(row["seconds"])
    return rows


def run_all(given, results):
    """Runs what `results` does not have yet and adds it there, a row at a time."""
    have = {(row["houses"], row["crews"], row["seed"], row["method"]) for row in read_rows(results)}
    if not results.exists():
        results.write_text(",".join(COLUMNS) + "\n")
    for houses, crews in given.sizes:
        for seed in given.seeds:
            file = given.out / f"company-{houses}x{crews}-{seed}.json"
            made = [str(given.generator), str(houses), str(crews), str(seed)]
            file.write_text(subprocess.run(made, capture_output=True, text=True, check=True).stdout)
            for method in given.methods:
                if (houses, crews, seed, method) in have:
                    continue
                plan = given.out / f"plan-{houses}x{crews}-{seed}-{method}.json"
                plan.unlink(missing_ok=True)
                if method == "tackfree":
                    seconds, bound, fault, note = run_tackfree(given, file, plan, seed)
                else:
                    seconds, bound, fault, note = run_baseline(given, method, file, plan, seed)
                row = {"houses": houses, "crews": crews, "seed": seed, "method": method, "note": fault or note}
                row |= {"seconds": round(seconds, 2), "bound": bound} | audit(given.tackfree, file, plan)
                with open(results, "a", newline="", encoding="utf-8") as out:
                    csv.DictWriter(out, COLUMNS).writerow(row)
                print(row, flush=True)


def geometric_mean(values):
    return math.exp(sum(map(math.log, values)) / len(values))


def by_size(rows):
    """{(houses, crews): {method: {seed: row}}} of audited plans that leave nothing out."""
    out = {}
    for row in rows:
        methods = out.setdefault((row["houses"], row["crews"]), {})
        seeds = methods.setdefault(row["method"], {})
        if row["audited"] == "yes" and row["left_out"] == 0:
            seeds[row["seed"]] = row
    return out


def table(rows):
    """Markdown: a line for each size and method. Ratios compare the same seeds."""
    lines = [
        "| houses x crews | method | whole plans, audited | cost, geometric mean | least to most | over tackfree's "
        "| seconds, most |",
        "|---|---|---|---|---|---|---|",
    ]
    for (houses, crews), methods in sorted(by_size(rows).items()):
        tried = {row["seed"] for row in rows if (row["houses"], row["crews"]) == (houses, crews)}
        ours = methods.get("tackfree", {})
        for method, seeds in methods.items():
            costs = [row["cost"] for row in seeds.values()]
            both = [row["cost"] / ours[seed]["cost"] for seed, row in seeds.items() if seed in ours]
            spread = f"{geometric_mean(costs):,.0f} | {min(costs):,} to {max(costs):,}" if costs else "- | -"
            ratio = f"{geometric_mean(both):.3f} ({min(both):.3f} to {max(both):.3f})" if both else "-"
            most = max(row["seconds"] for row in rows if (row["houses"], row["method"]) == (houses, method))
            lines.append(f"| {houses} x {crews} | {method} | {len(costs)} of {len(tried)} | {spread} | {ratio} | {most:.1f} |")
    lines += ["", "| houses x crews | cheapest plan over the highest bound, geometric mean | bound from |", "|---|---|---|"]
    for (houses, crews), methods in sorted(by_size(rows).items()):
        gaps, sources = gaps_of(rows, houses, crews)
        told = f"{geometric_mean(gaps):.3f} ({min(gaps):.3f} to {max(gaps):.3f})" if gaps else "-"
        lines.append(f"| {houses} x {crews} | {told} | {', '.join(sorted(sources)) or '-'} |")
    return "\n".join(lines) + "\n"


def gaps_of(rows, houses, crews):
    """(cheapest cost over highest bound by seed, methods that had it)."""
    gaps, sources = [], set()
    mine = [row for row in rows if (row["houses"], row["crews"]) == (houses, crews) and row["audited"] == "yes"]
    for seed in {row["seed"] for row in mine}:
        bounds = [(row["bound"], row["method"]) for row in mine if row["seed"] == seed and row["bound"]]
        costs = [row["cost"] for row in mine if row["seed"] == seed and row["left_out"] == 0]
        if bounds and costs:
            gaps.append(min(costs) / max(bounds)[0])
            sources.add(max(bounds)[1])
    return gaps, sources


def plots(rows, folder):
    """`cost.svg`: cost over the cheapest plan known for the same file. `bound.svg`: that plan over the highest bound."""
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams["svg.hashsalt"] = "benchmark"
    from matplotlib import pyplot

    sizes = by_size(rows)
    figure, axes = pyplot.subplots(figsize=(8, 4.5))
    methods = [method for method in METHODS if any(method in found for found in sizes.values())]
    for place, method in enumerate(methods):
        points = []
        for size, found in sorted(sizes.items()):
            for seed, row in found.get(method, {}).items():
                cheapest = min(other[seed]["cost"] for other in found.values() if seed in other)
                points.append((sorted(sizes).index(size) + (place - len(methods) / 2) * 0.12, row["cost"] / cheapest))
        axes.scatter(*(zip(*points) if points else ([], [])), s=18, label=method)
    axes.set_yscale("log")
    for put_formatter in (axes.yaxis.set_major_formatter, axes.yaxis.set_minor_formatter):
        put_formatter("{x:g}")
    axes.set_ylabel("cost over the cheapest plan of the file")
    finish(axes, figure, sizes, folder / "cost.svg")

    figure, axes = pyplot.subplots(figsize=(8, 3.5))
    for place, (houses, crews) in enumerate(sorted(sizes)):
        gaps = gaps_of(rows, houses, crews)[0]
        axes.scatter([place] * len(gaps), gaps, color="C0", s=18)
    axes.set_ylabel("cheapest plan over highest bound")
    finish(axes, figure, sizes, folder / "bound.svg")


def finish(axes, figure, sizes, path):
    """Names the sizes, adds the legend if there is one to add, and writes the plot."""
    axes.set_xticks(range(len(sizes)), [f"{houses} x {crews}" for houses, crews in sorted(sizes)])
    axes.set_xlabel("houses x crews")
    axes.grid(axis="y", alpha=0.3)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize=8)
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})


def size(text):
    houses, crews = text.split("x")
    return int(houses), int(crews)


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--tackfree", required=True, help="the program")
    arguments.add_argument("--generator", required=True, help="the built example `benchmark_company`")
    arguments.add_argument("--sizes", type=size, nargs="+", default=SIZES, help="such as 5x2 15x4")
    arguments.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    arguments.add_argument("--methods", nargs="+", choices=METHODS, default=METHODS)
    arguments.add_argument("--seconds", type=float, default=60)
    arguments.add_argument("--workers", type=int, default=1, help="threads of CP-SAT; the program has two, the others one")
    arguments.add_argument("--out", type=Path, required=True, help="folder for everything written")
    given = arguments.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    results = given.out / "results.csv"
    run_all(given, results)
    rows = read_rows(results)
    (given.out / "results.md").write_text(table(rows))
    plots(rows, given.out)
    print(table(rows))


if __name__ == "__main__":
    main()
