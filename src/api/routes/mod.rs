//! One module for each noun; what they share is in `nouns`.

mod air_readings;
mod board;
mod calculations;
mod calendar;
mod chances;
mod changes;
mod companies;
mod crew_days;
mod events;
mod exports;
mod feeds;
mod health;
mod imports;
mod jobs;
mod letters;
mod load_lists;
pub(super) mod metrics;
mod nouns;
mod pins;
mod planning_file;
mod plans;
mod problems;
mod regions;
mod repairs;
mod stream;
mod tokens;
mod webhooks;
mod weeks;
mod what_ifs;

use super::caller::authenticate;
use actix_web::middleware::from_fn;
use utoipa_actix_web::service_config::ServiceConfig;

/// All addresses.
pub(super) fn configure(config: &mut ServiceConfig) {
    config.configure(health::configure).configure(problems::configure).configure(calendar::configure);
    // Before `/v1`, because it asks for another token.
    config.configure(companies::configure_operator);
    config.service(
        utoipa_actix_web::scope("/v1")
            .wrap(from_fn(authenticate))
            .configure(companies::configure)
            .configure(tokens::configure)
            .configure(nouns::configure)
            .configure(regions::configure)
            .configure(imports::configure)
            .configure(exports::configure)
            .configure(air_readings::configure)
            .configure(jobs::configure)
            .configure(events::configure)
            .configure(what_ifs::configure)
            .configure(pins::configure)
            .configure(plans::configure)
            .configure(repairs::configure)
            .configure(chances::configure)
            .configure(board::configure)
            .configure(weeks::configure)
            .configure(load_lists::configure)
            .configure(crew_days::configure)
            .configure(letters::configure)
            .configure(planning_file::configure)
            .configure(feeds::configure)
            .configure(stream::configure)
            .configure(webhooks::configure)
            .configure(changes::configure)
            .configure(calculations::configure),
    );
}
