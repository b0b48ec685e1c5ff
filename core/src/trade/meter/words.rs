//! A judged floor in the words of a crew lead: first what it comes to, then what to do about it.

use super::{AreaJudged, AreaReadings, Finding, Judged, METER_HOLDS_CENTI, Spot};

/// Sentences, the verdict first, then warnings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// What it comes to, in one sentence.
    pub verdict: String,
    /// What to look at, one sentence each.
    pub warnings: Vec<String>,
}

/// `areas` as they were judged.
pub fn told(judged: &Judged, areas: &[AreaReadings]) -> Told {
    Told { verdict: verdict(judged, areas), warnings: warnings(judged, areas) }
}

fn deci(value: i32) -> String {
    let sign = if value < 0 { "-" } else { "" };
    format!("{sign}{}.{}", value.abs() / 10, value.abs() % 10)
}

/// Hundredths without zeros at their end, but with a tenth.
fn centi(value: i32) -> String {
    if value % 10 == 0 { deci(value / 10) } else { format!("{:.2}", f64::from(value) / 100.0) }
}

fn named<'a>(judged: &'a Judged, areas: &'a [AreaReadings]) -> impl Iterator<Item = (&'a str, &'a AreaJudged)> {
    areas.iter().map(|area| area.name.as_str()).zip(&judged.areas)
}

fn verdict(judged: &Judged, areas: &[AreaReadings]) -> String {
    let limit = centi(judged.rules.points_max_centi);
    let floor = judged.floor_deci.map_or_else(|| "-".to_owned(), deci);
    match judged.finding {
        Finding::Incomplete => {
            let missing: Vec<String> = named(judged, areas)
                .filter(|(_, area)| area.missing() > 0)
                .map(|(name, area)| format!("{} in {name} ({} of {})", area.missing(), area.taken, area.needed))
                .collect();
            format!("no verdict yet: readings are missing, {}", missing.join(", "))
        }
        Finding::Fails => format!("does not pass: {} (floor {floor} %)", failures(judged, areas).join("; ")),
        Finding::Passes => format!("passes: every area is within {limit} points of the floor's {floor} %"),
        Finding::PassesButLook => {
            format!(
                "passes, but look first: every area is within {limit} points of the floor's {floor} %, and {}",
                match judged.spots.len() {
                    1 => "one reading is far off".to_owned(),
                    many => format!("{many} readings are far off"),
                }
            )
        }
    }
}

fn failures(judged: &Judged, areas: &[AreaReadings]) -> Vec<String> {
    let limit_centi = judged.rules.points_max_centi;
    let mut said = Vec::new();
    for (name, area) in named(judged, areas) {
        if let (Some(false), Some(mean), Some(off)) = (area.within, area.mean_deci, area.off_deci) {
            let side = if off < 0 { "below" } else { "above" };
            // What is over by less than a twentieth would read as if it passed.
            let points = if off.abs() * 10 <= limit_centi {
                format!("just over {}", centi(limit_centi))
            } else {
                deci(off.abs())
            };
            let allowed = centi(limit_centi);
            said.push(format!("{name} at {} % is {points} points {side} the floor, {allowed} allowed", deci(mean)));
        }
        if area.wet_place {
            said.push(format!("{name} has a wet place"));
        }
    }
    said
}

fn warnings(judged: &Judged, areas: &[AreaReadings]) -> Vec<String> {
    let mut said: Vec<String> = judged.spots.iter().map(|spot| look(spot, areas)).collect();
    for (name, area) in named(judged, areas).filter(|(_, area)| area.beyond_meter > 0) {
        let (low, high) = (METER_HOLDS_CENTI.start() / 100, METER_HOLDS_CENTI.end() / 100);
        said.push(format!(
            "{name}: {} outside {low} to {high} %, where meters hold; check the meter on its block, as ASTM D4444 has it",
            if area.beyond_meter == 1 { "1 reading is".to_owned() } else { format!("{} readings are", area.beyond_meter) }
        ));
    }
    said.extend(one_area(judged, areas));
    let side = |over: i32| if over < 0 { "below" } else { "above" };
    if let Some((over, true)) = judged.beside.over_baseline_deci {
        let points = deci(over.abs());
        said.push(format!("the floor is {points} points {} what it was before wetting", side(over)));
    }
    if let (Some((over, true)), Some(emc)) = (judged.beside.over_emc_deci, judged.beside.emc_deci) {
        let (points, direction) = (deci(over.abs()), if over < 0 { "taking up water" } else { "drying" });
        said.push(format!(
            "the floor is {points} points {} the {} % that wood comes to in this air: it will go on {direction}",
            side(over),
            deci(emc)
        ));
    }
    if let Some(subfloor) = judged.beside.subfloor {
        if subfloor.missing > 0 {
            said.push(format!("the subfloor lacks {} readings", subfloor.missing));
        }
        if !subfloor.within {
            said.push(format!(
                "the floor is {} points {} its subfloor at {} %, {} allowed for this strip",
                deci(subfloor.over_deci.abs()),
                side(subfloor.over_deci),
                deci(subfloor.mean_deci),
                centi(subfloor.points_max_centi)
            ));
        }
    }
    said
}

/// An area never differs from a floor that is nothing else, however far apart its readings are.
fn one_area(judged: &Judged, areas: &[AreaReadings]) -> Option<String> {
    let [area] = areas else { return None };
    let passes = matches!(judged.finding, Finding::Passes | Finding::PassesButLook);
    let (low, high) = (area.corrected_centi().min()?, area.corrected_centi().max()?);
    (passes && high - low > 2 * judged.rules.points_max_centi).then(|| {
        format!(
            "the floor is one area and was held against nothing but itself, with readings from {} to {} %: name its rooms \
             as areas",
            centi(low),
            centi(high)
        )
    })
}

fn look(spot: &Spot, areas: &[AreaReadings]) -> String {
    let name = areas.get(spot.area).map_or("", |area| area.name.as_str());
    let why = if spot.wet { "a wet spot, or metal under it" } else { "a gap, or poor contact" };
    format!(
        "{name}, reading {}: {} % where the middle is {} %: read again beside it and look for {why}",
        spot.reading + 1,
        centi(spot.centi),
        deci(spot.median_deci)
    )
}
