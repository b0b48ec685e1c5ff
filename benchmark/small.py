"""Compares plans of small problems with the optimum that CP-SAT proves.

    small.py --tackfree target/release/tackfree --generator target/release/examples/benchmark_company --out FOLDER

Each problem is a company of `benchmark_company` with one to four houses and one to three crews, whose chains are cut short so that
10 to 30 steps are left, with due dates moved to suit. `tackfree plan` plans it with its usual moves and with `--moves`; CP-SAT
(`cpsat.py`, the whole model, from the better plan on) is given `--seconds` to prove an optimum. `tackfree check-plan` judges and
counts all three. What is in FOLDER/small.csv already is not done again; planning files and plans of problems in which the plan
costs more than the optimum stay in FOLDER.
"""

import argparse
import csv
import json
import random
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

from run import audit

COLUMNS = ["problem", "houses", "crews", "steps", "usual", "more", "cpsat", "status", "bound", "seconds", "note"]
FULL_CHAIN = 17
STEPS = range(10, 31)
# Parts of a treatment stay together.
STEPS_NOT_LAST = "treat-a"


def cut(file, draw):
    """Cuts the chains of a company, all together to a number of steps drawn from STEPS."""
    wanted = draw.choice(STEPS) / len(file["jobs"])
    first_day = datetime.fromisoformat(file["now"]).replace(hour=17, minute=0)
    for job in file["jobs"]:
        count = max(3, min(len(job["steps"]), round(wanted * draw.uniform(0.7, 1.3))))
        if job["steps"][count - 1]["key"] == STEPS_NOT_LAST:
            count += 1
        job["steps"] = job["steps"][:count]
        kept = {step["key"] for step in job["steps"]}
        job["waits"] = [wait for wait in job["waits"] if {wait["from"], wait["to"]} <= kept]
        days = (datetime.fromisoformat(job["due"]) - first_day).days * count // FULL_CHAIN
        job["due"] = (first_day + timedelta(days=max(1, days) - draw.choice([0, 0, 1]))).isoformat()
    return file


def problem(given, seed):
    """A planning file, or None when it has too few or too many steps; houses and crews by the seed."""
    houses, crews = 1 + seed % 4, 1 + seed // 4 % 3
    text = subprocess.run([given.generator, str(houses), str(crews), str(seed)], capture_output=True, text=True, check=True)
    file = cut(json.loads(text.stdout), random.Random(seed))
    steps = sum(len(job["steps"]) for job in file["jobs"])
    return (file, houses, crews, steps) if steps in STEPS else None


def solve(given, seed):
    """A row of the results, or None."""
    made = problem(given, seed)
    if made is None:
        return None
    file, houses, crews, steps = made
    path = given.out / f"small-{seed}.json"
    path.write_text(json.dumps(file, indent=1))
    row = {"problem": seed, "houses": houses, "crews": crews, "steps": steps, "note": ""}
    plans = {name: given.out / f"small-{seed}-{name}.json" for name in ("usual", "more", "cpsat")}
    for name, moves in (("usual", []), ("more", ["--moves", str(given.moves)])):
        command = [given.tackfree, "plan", str(path), "--out", str(plans[name]), *moves]
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    judged = {name: audit(given.tackfree, path, plans[name]) for name in ("usual", "more")}
    solver = [sys.executable, str(Path(__file__).with_name("cpsat.py")), str(path), "--mode", "hinted"]
    solver += ["--seconds", str(given.seconds), "--workers", str(given.workers), "--out", str(plans["cpsat"])]
    solver += [] if judged["more"].get("left_out", 1) else ["--hint", str(plans["more"])]
    done = subprocess.run(solver, capture_output=True, text=True)
    if done.returncode:
        row |= {"status": "NONE", "note": " ".join(done.stderr.split())[-200:]}
    else:
        told = json.loads(done.stdout.splitlines()[-1])
        row |= {"status": told["status"], "bound": told["bound"], "seconds": told["seconds"]}
        judged["cpsat"] = audit(given.tackfree, path, plans["cpsat"])
    for name, judgement in judged.items():
        row[name] = judgement.get("cost", "")
        row["note"] += judgement.get("note", "")
    differs = len({row["usual"], row["more"], row.get("cpsat")}) > 1
    if not differs:
        for unneeded in (path, *plans.values()):
            unneeded.unlink(missing_ok=True)
    return row


def tell(rows):
    proven = [row for row in rows if row["status"] == "OPTIMAL"]
    costs = [(int(row["usual"]), int(row["more"]), int(row["cpsat"])) for row in proven]
    print(f"{len(rows)} problems, {len(proven)} with a proven optimum")
    for name, place in (("usual moves", 0), ("more moves", 1)):
        above = [100 * (cost[place] - cost[2]) / cost[2] for cost in costs]
        equal = sum(cost[place] == cost[2] for cost in costs)
        most = max(above, default=0)
        print(f"{name}: {equal} equal, mean {sum(above) / max(1, len(above)):+.3f} %, most {most:+.2f} %")
    for row in proven:
        if row["usual"] != row["cpsat"] or row["more"] != row["cpsat"]:
            print(f"  {row['problem']}: usual {row['usual']}, more {row['more']}, optimum {row['cpsat']}")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tackfree", required=True)
    parser.add_argument("--generator", required=True)
    parser.add_argument("--first", type=int, default=1, help="seed of the first problem")
    parser.add_argument("--problems", type=int, default=60)
    parser.add_argument("--moves", type=int, default=60_000)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    results = given.out / "small.csv"
    rows = []
    if results.exists():
        with results.open(newline="") as source:
            rows = list(csv.DictReader(source))
    have = {int(row["problem"]) for row in rows}
    with results.open("a", newline="") as target:
        writer = csv.DictWriter(target, COLUMNS)
        if not rows:
            writer.writeheader()
        seed = given.first
        while len(rows) < given.problems:
            row = solve(given, seed) if seed not in have else None
            seed += 1
            if row:
                writer.writerow(row)
                target.flush()
                rows.append(row)
                print(*row.values())
    tell(rows)


if __name__ == "__main__":
    main()
