//! When a failed floor will pass, as it is shown.

use super::scalar::local;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::trade::approach::Prediction;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What failed rounds tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OutlookDto {
    /// Fewer than two rounds of the whole floor, or a single area.
    TooLittle,
    /// It is not drying, as far as the readings tell.
    NoSign,
    /// It will pass about `median_at`.
    WillPass,
}

/// When a failed floor will pass. The meter overrules it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PredictionDto {
    /// What the rounds tell.
    pub outlook: OutlookDto,
    /// One in ten that it passes earlier. May lie before the last round: then it failed by very little.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub early_at: Option<String>,
    /// As likely earlier as later; the check is planned again from here on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub median_at: Option<String>,
    /// One in ten that it passes later; left out: more than one in ten that it does not within sixty days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub late_at: Option<String>,
    /// Chance that it does not dry at all while its air stays as it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stuck_percent: Option<u32>,
    /// The same in a sentence or two.
    pub in_words: String,
}

/// Wall time as people say it.
fn said(zone: Zone, at: Minute) -> String {
    at.plus(i64::from(zone.offset_minutes(at))).to_utc().format("%a %-d %b %H:%M").to_string()
}

impl PredictionDto {
    /// `last`: when the last round was taken; nothing is said to come before it.
    pub fn new(prediction: Prediction, zone: Zone, last: Minute) -> PredictionDto {
        let nothing = PredictionDto {
            outlook: OutlookDto::TooLittle,
            early_at: None,
            median_at: None,
            late_at: None,
            stuck_percent: None,
            in_words: String::new(),
        };
        match prediction {
            Prediction::TooLittle => PredictionDto {
                in_words: "it takes two failed rounds over the whole floor to say when it will pass".to_owned(),
                ..nothing
            },
            Prediction::NoSign { stuck_percent } => PredictionDto {
                outlook: OutlookDto::NoSign,
                stuck_percent: Some(stuck_percent),
                in_words: "no sign of drying: the areas are not coming together; look for a leak, a wet subfloor or a \
                           closed room before anybody comes to read again"
                    .to_owned(),
                ..nothing
            },
            Prediction::Passes { early, median, late, stuck_percent } => PredictionDto {
                outlook: OutlookDto::WillPass,
                early_at: Some(local(zone, early)),
                median_at: Some(local(zone, median)),
                late_at: late.map(|late| local(zone, late)),
                stuck_percent: Some(stuck_percent),
                in_words: passes_in_words(zone, last, early, median, late),
            },
        }
    }
}

fn passes_in_words(zone: Zone, last: Minute, early: Minute, median: Minute, late: Option<Minute>) -> String {
    let about = if median <= last {
        "it may pass as soon as it is read again".to_owned()
    } else {
        format!("within the limit from about {}", said(zone, median))
    };
    let from = if early <= last { "right away".to_owned() } else { format!("from {}", said(zone, early)) };
    match late {
        Some(late) => format!("{about}; four chances in five: {from} until {}", said(zone, late.max(last))),
        None => {
            format!("{about}, {from} at the earliest; but it is dry within sixty days less surely than nine in ten")
        }
    }
}
