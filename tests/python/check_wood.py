#!/usr/bin/env python3
"""Holds our wood moisture, in Celsius and in Fahrenheit, against printed values of the Wood Handbook's table 4-2.

    cargo run --quiet --example trade_table -- wood | python3 tests/python/check_wood.py

Needs only the standard library. The values are 186 of a reprint (tests/data/wood-handbook-table-4-2.csv; its source is
told in docs/trade-values.md) and 3 more, in air more humid than the reprint's rows, from the book's own table. Exits with
1 when a difference is larger than the limit.
"""

import csv
import pathlib
import sys

# The table prints tenths, so 0.05 is rounding; 0.02 more is what the two fits of equation 4-5 leave between each other.
LIMIT_PERCENT = 0.07
BOOK = {(70, 95): 23.9, (30, 95): 24.3, (100, 90): 19.5}
REPRINT = pathlib.Path(__file__).parent.parent / "data" / "wood-handbook-table-4-2.csv"
VALUES = 189


def printed() -> dict[tuple[int, int], float]:
    values = dict(BOOK)
    with REPRINT.open() as file:
        for row in csv.DictReader(file):
            rh = int(row.pop("rh_percent"))
            values.update({(int(temp_f), rh): float(value) for temp_f, value in row.items() if value})
    return values


def main() -> int:
    ours = {(int(row["temp_f"]), int(row["rh_percent"])): row for row in csv.DictReader(sys.stdin)}
    table = printed()
    failed = len(table) != VALUES
    for form in ("by_celsius_percent", "by_fahrenheit_percent"):
        worst, (temp_f, rh) = max((abs(float(ours[place][form]) - value), place) for place, value in table.items())
        verdict = "ok" if worst <= LIMIT_PERCENT else "TOO LARGE"
        failed |= worst > LIMIT_PERCENT
        print(f"wood moisture {form}: largest difference {worst:.4f} at {temp_f} F {rh} %, limit {LIMIT_PERCENT}: {verdict}")
    print(f"{len(table)} printed values compared")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
