#!/usr/bin/env python3
"""Holds our humid-air formulas (Magnus, WMO) and our drying factor against ASHRAE's, as PyPI `psychrolib` has them.

    pip install -r tests/python/requirements.txt
    cargo run --quiet --example trade_table -- air | python3 tests/python/check_humid_air.py

Only points whose dew point is above freezing are compared: below it ASHRAE speaks of ice, and we, as weather services do,
of water. The deficit and the drying factor ask only for the air's own saturation pressure, so they are compared in all air
above freezing, the factor over the range in which the model speaks (50 to 90 F, up to 85 %). The factor is worked here
from its definition: the model has no published implementation. Exits with 1 when a difference is larger than its limit.
"""

import csv
import sys

import psychrolib

# What the two formulations themselves leave between each other; a slip in a coefficient is many times larger. Dew points
# of dry air reach down to where the two differ least while the air itself is where they differ most, hence two limits:
# a tight one where a floor comes near its dew point, a wider one for all humidities.
DEW_POINT_LIMIT_C = 0.04
HUMID_RH = 0.70
HUMID_DEW_POINT_LIMIT_C = 0.02
SATURATION_LIMIT_PERCENT = 0.3
ROOM_RH_LIMIT_POINTS = 0.2
# The deficit is a saturation pressure times a number that both sides share.
DEFICIT_LIMIT_PERCENT = SATURATION_LIMIT_PERCENT
# A factor holds the quotient of two deficits, so that most of the two formulations' difference cancels; what is left is
# how much that difference varies from 10 to 32 C. A slip of 0.1 C in the label's temperature would be 0.6 %.
FACTOR_LIMIT_PERCENT = 0.15
POINTS_MIN = 1000
FACTOR_POINTS_MIN = 700

MODEL_TEMP_C = (10.0, 32.2)
MODEL_RH_MAX = 0.85
LABEL_TEMP_C, LABEL_RH = 21.11, 0.50
EVAPORATION_SHARE = {"f_treatment": 1.0, "f_waterborne": 0.5, "f_oil": 0.0}


def deficit_pa(temp_c: float, rh: float) -> float:
    return psychrolib.GetSatVapPres(temp_c) * (1 - rh)


def factor(share: float, temp_c: float, rh: float) -> float:
    evaporation = deficit_pa(LABEL_TEMP_C, LABEL_RH) / deficit_pa(temp_c, rh)
    return share * evaporation + (1 - share) * 2 ** ((LABEL_TEMP_C - temp_c) / 10)


def main() -> int:
    psychrolib.SetUnitSystem(psychrolib.SI)
    # Each check: limit, unit, and the largest difference so far with where it was.
    worst = {
        "saturation pressure": [SATURATION_LIMIT_PERCENT, "%", 0.0, None],
        "dew point": [DEW_POINT_LIMIT_C, "C", 0.0, None],
        "dew point of humid air": [HUMID_DEW_POINT_LIMIT_C, "C", 0.0, None],
        "humidity at room temperature": [ROOM_RH_LIMIT_POINTS, "points", 0.0, None],
        "vapour pressure deficit": [DEFICIT_LIMIT_PERCENT, "%", 0.0, None],
        "drying factor": [FACTOR_LIMIT_PERCENT, "%", 0.0, None],
    }

    def note(name: str, difference: float, where: str) -> None:
        if abs(difference) >= worst[name][2]:
            worst[name][2:] = [abs(difference), where]

    points = factor_points = 0
    for row in csv.DictReader(sys.stdin):
        ours = {name: float(value) for name, value in row.items()}
        temp_c, rh = ours["temp_c"], ours["rh_percent"] / 100
        where = f"{temp_c} C {ours['rh_percent']} %"
        if temp_c > 0 and rh < 1:
            note("vapour pressure deficit", 100 * (ours["deficit_pa"] / deficit_pa(temp_c, rh) - 1), where)
        if MODEL_TEMP_C[0] <= temp_c <= MODEL_TEMP_C[1] and rh <= MODEL_RH_MAX:
            factor_points += 1
            for film, share in EVAPORATION_SHARE.items():
                note("drying factor", 100 * (ours[film] / factor(share, temp_c, rh) - 1), f"{where} {film}")
        dew_point_c = psychrolib.GetTDewPointFromRelHum(temp_c, rh)
        if dew_point_c <= 0:
            continue
        points += 1
        saturation_pa = psychrolib.GetSatVapPres(temp_c)
        room_rh = psychrolib.GetVapPresFromRelHum(temp_c, rh) / psychrolib.GetSatVapPres(ours["room_temp_c"])
        note("saturation pressure", 100 * (ours["saturation_pa"] / saturation_pa - 1), where)
        note("dew point", ours["dew_point_c"] - dew_point_c, where)
        if rh >= HUMID_RH:
            note("dew point of humid air", ours["dew_point_c"] - dew_point_c, where)
        note("humidity at room temperature", ours["room_rh_percent"] - min(100.0, 100 * room_rh), where)

    failed = 0
    for name, (limit, unit, difference, where) in worst.items():
        verdict = "ok" if difference <= limit else "TOO LARGE"
        failed += verdict != "ok"
        print(f"{name}: largest difference {difference:.4f} {unit} at {where}, limit {limit}: {verdict}")
    if points < POINTS_MIN:
        print(f"only {points} points compared, {POINTS_MIN} expected: was the table cut short?")
        failed += 1
    if factor_points < FACTOR_POINTS_MIN:
        print(f"only {factor_points} points of the drying factor compared, {FACTOR_POINTS_MIN} expected")
        failed += 1
    print(f"{points} points above freezing compared, {factor_points} of the drying factor for three films")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
