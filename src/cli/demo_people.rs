//! Who may sign in at the demo: somebody of the office, and the phone of the first crew.

use super::Refusal;
use crate::dto::PlanningFile;
use crate::service::{PersonBody, RoleDto, Service};
use crate::store::CompanyId;

/// To be told.
pub(super) struct People {
    /// Of the office.
    pub(super) sign_in_name: String,
    /// Of the office.
    pub(super) password: String,
    /// The crew's name, and the link for its phone.
    pub(super) link: Option<(String, String)>,
}

/// Adds them. Sign-in names are unique on a server, and every start of the demo has a company of its own.
pub(super) async fn load(
    service: &Service,
    company: CompanyId,
    file: &PlanningFile,
    base: &str,
) -> Result<People, Refusal> {
    let mark: String = company.0.simple().to_string().chars().take(6).collect();
    let body = PersonBody {
        name: "Dana Whitlock (invented)".to_owned(),
        sign_in_name: format!("dana-{mark}"),
        role: RoleDto::Office,
        crew: None,
    };
    let added = service.add_person(company, &body, None).await?;
    let mut link = None;
    if let Some(crew) = file.crews.first() {
        let (_, secret) = service.make_crew_link(company, &crew.key, "").await?;
        link = Some((crew.name.clone(), format!("{base}/crew/{}", secret.reveal())));
    }
    Ok(People { sign_in_name: added.person.sign_in_name, password: added.password, link })
}
