//! Waits between the steps of a chain, and what a job may override in one.

use super::calendar::is_false;
use super::fault::{At, Faults};
use super::gate::FilmDto;
use super::house::optional;
use super::names::Table;
use super::step::{given, is_zero};
use crate::domain::bounds::WAIT_MINUTES_MAX;
use crate::domain::chain::{OnExceed, Step, Wait, WaitKind, WaitMax};
use crate::domain::ids::StepIx;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How a wait is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WaitKindDto {
    /// From the predecessor's finish to the successor's start.
    #[default]
    Lag,
    /// The successor follows over the floor, point by point: from start to start and from finish to finish. One crew
    /// does both and nothing else meanwhile.
    Dwell,
}

/// What follows when a maximum is exceeded: `"forbid"` or `{"lapse": "step-key"}`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OnExceedDto {
    /// It never is, in any plan.
    Forbid,
    /// The extra step of this key must come between.
    #[schema(example = "abrade-2")]
    Lapse(String),
}

/// The latest a successor may start.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaitMaxDto {
    /// After the predecessor's finish, by the clock.
    #[schema(minimum = 0, maximum = 172_800, example = 4320)]
    pub minutes: i64,
    /// What exceeding it means.
    pub on_exceed: OnExceedDto,
}

/// The wait between two steps.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaitDto {
    /// Key of the earlier step.
    #[schema(example = "coat-1")]
    pub from: String,
    /// Key of the later step.
    #[schema(example = "coat-2")]
    pub to: String,
    /// How it is measured.
    #[serde(default, skip_serializing_if = "is_lag")]
    pub kind: WaitKindDto,
    /// As the label says.
    #[serde(default, skip_serializing_if = "is_zero")]
    #[schema(minimum = 0, maximum = 172_800, default = 0, example = 180)]
    pub min_minutes: i64,
    /// What dries, if the climate stretches the minimum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub film: Option<FilmDto>,
    /// The later step may not start on the calendar day on which the earlier one finished.
    #[serde(default, skip_serializing_if = "is_false")]
    pub overnight: bool,
    /// The latest, if there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max: Option<WaitMaxDto>,
    /// Nobody enters the earlier step's areas until the minimum is over.
    #[serde(default, skip_serializing_if = "is_false")]
    pub keep_off: bool,
}

/// What a job changes in one wait of its method. What is left out stays as it is; `null` takes a film or maximum away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each member replaces the one of the same name in WaitDto")]
pub struct WaitOverrideDto {
    /// Key of the earlier step.
    pub from: String,
    /// Key of the later step.
    pub to: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub min_minutes: Option<i64>,
    #[serde(default, deserialize_with = "given", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<FilmDto>)]
    pub film: Option<Option<FilmDto>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub overnight: Option<bool>,
    #[serde(default, deserialize_with = "given", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<WaitMaxDto>)]
    pub max: Option<Option<WaitMaxDto>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub keep_off: Option<bool>,
}

fn is_lag(kind: &WaitKindDto) -> bool {
    *kind == WaitKindDto::Lag
}

impl WaitOverrideDto {
    /// Names of the members that are given.
    pub(super) fn fields(&self) -> Vec<&'static str> {
        let given = [
            ("min_minutes", self.min_minutes.is_some()),
            ("film", self.film.is_some()),
            ("overnight", self.overnight.is_some()),
            ("max", self.max.is_some()),
            ("keep_off", self.keep_off.is_some()),
        ];
        given.into_iter().filter(|(_, given)| *given).map(|(name, _)| name).collect()
    }

    /// The wait with what is given here in place of its own.
    pub(super) fn applied_to(&self, wait: &WaitDto) -> WaitDto {
        let wait = wait.clone();
        WaitDto {
            min_minutes: self.min_minutes.unwrap_or(wait.min_minutes),
            film: self.film.unwrap_or(wait.film),
            overnight: self.overnight.unwrap_or(wait.overnight),
            max: self.max.clone().unwrap_or(wait.max),
            keep_off: self.keep_off.unwrap_or(wait.keep_off),
            ..wait
        }
    }
}

impl WaitDto {
    pub(super) fn to_domain(&self, at: &At, steps: &Table, faults: &mut Faults) -> Option<Wait> {
        let from = faults.find(&at.field("from"), steps, &self.from, "a wait");
        let to = faults.find(&at.field("to"), steps, &self.to, "a wait");
        let minutes = 0..=WAIT_MINUTES_MAX;
        let min = faults.whole(&at.field("min_minutes"), self.min_minutes, minutes.clone(), "minutes");
        let max_at = at.field("max");
        let max = self.max.as_ref().map(|max| {
            let most = faults.whole(&max_at.field("minutes"), max.minutes, minutes, "minutes");
            let exceed_at = max_at.field("on_exceed");
            let on_exceed = match &max.on_exceed {
                OnExceedDto::Forbid => Some(OnExceed::Forbid),
                OnExceedDto::Lapse(extra) => {
                    let extra = faults.find(&exceed_at.field("lapse"), steps, extra, "a wait");
                    extra.map(|extra| OnExceed::Lapse(StepIx::from_index(extra)))
                }
            };
            Some(WaitMax { minutes: most?, on_exceed: on_exceed? })
        });
        let kind = match self.kind {
            WaitKindDto::Lag => WaitKind::Lag,
            WaitKindDto::Dwell => WaitKind::Dwell,
        };
        Some(Wait {
            from: StepIx::from_index(from?),
            to: StepIx::from_index(to?),
            kind,
            min_minutes: min?,
            film: self.film.map(Into::into),
            overnight: self.overnight,
            max: optional(max)?,
            keep_off: self.keep_off,
        })
    }

    pub(super) fn from_domain(wait: &Wait, steps: &[Step]) -> WaitDto {
        let key = |step: StepIx| steps[step.index()].key.to_string();
        let max = |max: WaitMax| WaitMaxDto {
            minutes: max.minutes,
            on_exceed: match max.on_exceed {
                OnExceed::Forbid => OnExceedDto::Forbid,
                OnExceed::Lapse(extra) => OnExceedDto::Lapse(key(extra)),
            },
        };
        WaitDto {
            from: key(wait.from),
            to: key(wait.to),
            kind: match wait.kind {
                WaitKind::Lag => WaitKindDto::Lag,
                WaitKind::Dwell => WaitKindDto::Dwell,
            },
            min_minutes: wait.min_minutes,
            film: wait.film.map(Into::into),
            overnight: wait.overnight,
            max: wait.max.map(max),
            keep_off: wait.keep_off,
        }
    }
}
