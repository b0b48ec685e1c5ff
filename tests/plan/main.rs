//! What needs no database: the trade's computation, the planner, the audit, and the documents about them.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]

#[path = "../common"]
mod common {
    pub mod disturb;
    pub mod floors;
    pub mod generate;
    pub mod naive;
    pub mod newark;
    pub mod trade_values;
    pub mod world;
}

mod approach_coverage;
mod audit_agrees;
mod audit_causes;
mod audit_cost;
mod audit_garbage;
mod audit_history;
mod audit_mutants;
mod audit_rules;
mod audit_time;
mod calculations_page;
mod chance;
mod chance_formulas;
mod critical_path;
mod demo_weather;
mod dependencies;
mod difference;
mod generate;
mod golden_difference;
mod golden_week;
mod hostile_input;
mod lanes;
mod load_list_file;
mod many_crews;
mod plan_guesses;
mod plan_oracle;
mod plan_pins;
mod plan_properties;
mod plan_repairs;
mod plan_running;
mod ready_year;
mod running_page;
mod slack;
mod small_optimum;
mod style;
mod trade_values;
mod treatment_sections;
mod weather_year;
