//! A bound on everything that comes from outside, each with its reason.

/// Keys go into addresses and calendar UIDs: they stay short.
pub const KEY_CHARS_MAX: usize = 64;
/// A name must fit on a line of a phone or a printed sheet, with room to spare.
pub const NAME_CHARS_MAX: usize = 120;
/// Skills are kept in one 64-bit set.
pub const SKILLS_MAX: usize = 64;
/// The largest region-wide office planned for: 2,000 houses and 400 crews are benchmarked, this leaves room.
pub const HOUSES_MAX: usize = 10_000;
/// See [`HOUSES_MAX`].
pub const CREWS_MAX: usize = 1_000;
/// Kinds of gear, not pieces of it.
pub const EQUIPMENT_KINDS_MAX: usize = 200;
/// Pieces of one kind of gear.
pub const EQUIPMENT_UNITS_MAX: u32 = 1_000;
/// Jobs in one planning problem.
pub const JOBS_MAX: usize = 10_000;
/// A chain longer than this is several jobs.
pub const STEPS_PER_CHAIN_MAX: usize = 200;
/// Every step may wait for a few others.
pub const WAITS_PER_CHAIN_MAX: usize = 800;
/// Areas of one house; readings and keep-off are by area.
pub const AREAS_PER_HOUSE_MAX: usize = 60;
/// A sports hall is about 20,000 sq ft; ten of those.
pub const AREA_SQFT_MAX: u32 = 200_000;
/// People in one crew.
pub const HEAD_COUNT_MAX: u32 = 50;
/// No single step is planned beyond this many minutes of work for one person (about a person-year).
pub const STEP_MINUTES_MAX: i64 = 120_000;
/// Waits reach to full cure and a little beyond: 120 days.
pub const WAIT_MINUTES_MAX: i64 = 120 * 24 * 60;
/// How far ahead a plan may reach.
pub const HORIZON_DAYS_MAX: i64 = 400;
/// Calendar windows of one week.
pub const WINDOWS_PER_WEEK_MAX: usize = 70;
/// Days that differ from the week: about five years of holidays and days off.
pub const EXCEPTIONS_MAX: usize = 400;
/// Times a crew is away outside its calendar.
pub const ABSENCES_MAX: usize = 400;
/// Times a crew is there with fewer people.
pub const SHORT_HANDED_MAX: usize = 400;
/// Times units of one kind of gear are out of use.
pub const OUTAGES_MAX: usize = 400;
/// Times a house is closed outside its access hours.
pub const CLOSURES_MAX: usize = 400;
/// How much one job may outweigh another.
pub const WEIGHT_MAX: u32 = 1_000;
/// Each cost coefficient. Together with weights and times they could still pass `i64`: whoever assembles a situation
/// counts with its actual numbers and refuses what could.
pub const COEFFICIENT_MAX: i64 = 1_000_000_000;
/// Hours of one forecast: a little more than a year.
pub const FORECAST_HOURS_MAX: usize = 400 * 24;
/// Readings of the air in one house that planning heeds: the newest. Each tells of one day, so this is a month of three a
/// day, and what is older no open floor has dried in.
pub const AIR_READINGS_MAX: usize = 100;
/// Weather regions of one company.
pub const REGIONS_MAX: usize = 100;
/// Reports on one step: a check that failed this often needs a person, not a plan.
pub const ATTEMPTS_MAX: usize = 50;
/// Meter readings of one round: the largest area there is needs 8,000 at 40 on 1,000 sq ft.
pub const METER_READINGS_MAX: usize = 10_000;
/// Moisture content, hundredths of a percent.
pub const MC_CENTI_PERCENT: std::ops::RangeInclusive<i32> = 0..=10_000;
