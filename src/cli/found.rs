//! `found`: a company and the first token of its office, without a network.

use super::Refusal;
use crate::service::{CompanyBody, Service};
use crate::store::{CompanyId, Store};
use uuid::Uuid;

/// Founds a company and gives its first token: `found NAME`.
#[derive(Debug, Clone, clap::Args)]
pub struct FoundArguments {
    /// Name of the company
    pub name: String,
    /// Time zone of its office (IANA name)
    #[arg(long, default_value = "America/New_York")]
    pub time_zone: String,
}

/// Founds a company without a network.
pub async fn found(store: &Store, arguments: &FoundArguments) -> Result<String, Refusal> {
    let settings = serde_json::from_value(serde_json::json!({ "time_zone": arguments.time_zone }))
        .map_err(|error| Refusal::new("bad-settings", error.to_string(), "name an IANA time zone"))?;
    let service = Service::new(store.clone());
    let mut session = store.session(CompanyId(Uuid::new_v4())).await?;
    let founded = service.found_company(&mut session, &CompanyBody { name: arguments.name.clone(), settings }).await?;
    session.commit().await?;
    let (id, token) = (founded.company.id, founded.secret.reveal());
    Ok(format!("company {id}\ntoken   {token}\nThe token is shown once; it is the office's, and may do everything.\n"))
}
