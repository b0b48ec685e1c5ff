//! What needs a database: the store, the API, the pages, and the programs as they run.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

#[path = "../common/mod.rs"]
mod common;

mod air_readings;
mod api_bad_input;
mod api_board;
mod api_calculations;
mod api_calendar_requests;
mod api_calendars;
mod api_chances;
mod api_checks;
mod api_companies;
mod api_contract;
mod api_crew_days;
mod api_events;
mod api_faults;
mod api_floor_mishaps;
mod api_forecasts;
mod api_jobs;
mod api_limits;
mod api_load_lists;
mod api_metrics;
mod api_nouns;
mod api_office;
mod api_pins;
mod api_races;
mod api_repairs;
mod api_stream;
mod api_take_along;
mod api_treatment;
mod api_what_ifs;
mod backup;
mod changes;
mod cluster;
mod events_page;
mod forecast_fetch;
mod golden_bad_week;
mod migrations;
mod normals;
mod nothing_lost;
mod old_plans;
mod replay;
mod secrets_in_logs;
mod slow_plans;
mod store_copy;
mod store_doors;
mod store_feed_revisions;
mod store_notices;
mod store_nouns;
mod store_plans;
mod store_security;
mod store_shelf;
mod told_to_end;
mod traces;
mod two_companies;
mod two_servers;
mod web_board;
mod web_houses;
mod web_pages;
mod web_sign_in;
mod webhooks;
mod who_may;
mod with_postgres;
mod worker;
