//! A region's usual air on the wire: two tables of twelve months by twenty-four UTC hours.

use super::fault::{At, Faults};
use super::house::AIR_CENTI_C;
use crate::domain::climate::{NormalHour, Normals};
use crate::domain::fault::Fault;
use crate::trade::normals::NORMALS_VAPOUR_MAX_DECI_PA;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;
use utoipa::ToSchema;

const MONTHS: usize = 12;
const DAY_HOURS: usize = 24;

/// The usual air of a region by month and hour of the day, as `tackfree normals FILE.csv` makes it of past weather. Past
/// the end of the forecast it is the air outdoors, after a day of passage into it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NormalsDto {
    /// Mean temperature, degrees Celsius, kept to the hundredth: January to December, each 00:00 to 23:00 UTC. -60 to 60.
    pub temp_c: Vec<Vec<f64>>,
    /// Mean vapour pressure, pascals, kept to the tenth, in the same order. 0 to 20,000.
    pub vapour_pa: Vec<Vec<f64>>,
}

impl NormalsDto {
    pub(crate) fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Normals> {
        let temp = table(&at.field("temp_c"), &self.temp_c, (100, AIR_CENTI_C, "degrees Celsius"), faults);
        let vapour_bounds = 0..=NORMALS_VAPOUR_MAX_DECI_PA;
        let vapour = table(&at.field("vapour_pa"), &self.vapour_pa, (10, vapour_bounds, "Pa of vapour"), faults);
        let (temp, vapour) = (temp?, vapour?);
        let hour = |month: usize, hour: usize| NormalHour {
            temp_centi_c: temp[month][hour],
            vapour_deci_pa: vapour[month][hour],
        };
        Some(Normals {
            months: Box::new(std::array::from_fn(|month| std::array::from_fn(|of_day| hour(month, of_day)))),
        })
    }

    /// As it is written on the wire.
    pub fn from_domain(normals: &Normals) -> NormalsDto {
        let table = |value: fn(&NormalHour) -> f64| -> Vec<Vec<f64>> {
            normals.months.iter().map(|hours| hours.iter().map(value).collect()).collect()
        };
        NormalsDto {
            temp_c: table(|hour| f64::from(hour.temp_centi_c) / 100.0),
            vapour_pa: table(|hour| f64::from(hour.vapour_deci_pa) / 10.0),
        }
    }
}

/// The numbers in whole parts, if they are twelve rows of twenty-four within their bounds.
fn table(
    at: &At,
    rows: &[Vec<f64>],
    (parts, bounds, unit): (i32, RangeInclusive<i32>, &str),
    faults: &mut Faults,
) -> Option<[[i32; DAY_HOURS]; MONTHS]> {
    let mut table = [[0; DAY_HOURS]; MONTHS];
    let mut good = shaped(at, rows.len(), MONTHS, "months", faults);
    for (month, (row, out)) in rows.iter().zip(&mut table).enumerate() {
        let at = at.item(month);
        good &= shaped(&at, row.len(), DAY_HOURS, "hours", faults);
        for (hour, (&value, out)) in row.iter().zip(out).enumerate() {
            match faults.parts(&at.item(hour), value, parts, bounds.clone(), unit) {
                Some(whole) => *out = whole,
                None => good = false,
            }
        }
    }
    good.then_some(table)
}

fn shaped(at: &At, count: usize, wanted: usize, things: &str, faults: &mut Faults) -> bool {
    if count != wanted {
        let what = format!("{count} {things} where there are {wanted}");
        let cure = "give 12 months of 24 UTC hours, as `tackfree normals FILE.csv` writes them";
        faults.push(at, Fault::new("normals-shape", what, cure));
    }
    count == wanted
}
