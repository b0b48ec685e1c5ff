//! `person`: the first people of a company, and a new password for whoever has lost it, without a browser.

use super::Refusal;
use super::database::{Database, DatabaseArguments};
use crate::service::{PASSWORD_CHARS_MAX, PersonBody, RoleDto, Service, WithPassword};
use crate::store::CompanyId;
use std::io::Read;
use uuid::Uuid;

/// Bytes of a password on standard input: at most four for a character, and the end of the line.
const PASSWORD_BYTES_MAX: u64 = PASSWORD_CHARS_MAX as u64 * 4 + 2;

/// What is done about people.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum PersonCommand {
    /// Add somebody who may sign in
    Add(AddArguments),
    /// Give somebody another password, and sign them out everywhere
    SetPassword(SetPasswordArguments),
}

/// Somebody to add.
#[derive(Debug, Clone, clap::Args)]
pub struct AddArguments {
    /// Name, for people
    pub name: String,
    /// What they sign in with: a mail address, for instance
    pub sign_in_name: String,
    /// What they may do
    #[arg(long, value_enum, default_value = "office")]
    pub role: RoleArgument,
    /// Key of the crew, for the role crew
    #[arg(long)]
    pub crew: Option<String>,
    /// Which company; not needed where there is only one
    #[arg(long, value_name = "ID")]
    pub company: Option<Uuid>,
    /// Read the password from standard input instead of making one up
    #[arg(long)]
    pub password_stdin: bool,
}

/// Who gets another password.
#[derive(Debug, Clone, clap::Args)]
pub struct SetPasswordArguments {
    /// What they sign in with
    pub sign_in_name: String,
    /// Which company; not needed where there is only one
    #[arg(long, value_name = "ID")]
    pub company: Option<Uuid>,
    /// Read the password from standard input instead of making one up
    #[arg(long)]
    pub password_stdin: bool,
}

/// As the command line says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
#[allow(missing_docs, reason = "a comment here would become the text of a flag")]
pub enum RoleArgument {
    Office,
    Crew,
    Viewer,
}

/// Does it, and says what to tell them.
pub async fn person(database: &DatabaseArguments, command: &PersonCommand) -> Result<String, Refusal> {
    let database = database.open().await?;
    let outcome = match command {
        PersonCommand::Add(arguments) => add(&database, arguments).await,
        PersonCommand::SetPassword(arguments) => set_password(&database, arguments).await,
    };
    database.close().await;
    outcome
}

async fn add(database: &Database, arguments: &AddArguments) -> Result<String, Refusal> {
    let company = company(database, arguments.company).await?;
    let role = match arguments.role {
        RoleArgument::Office => RoleDto::Office,
        RoleArgument::Crew => RoleDto::Crew,
        RoleArgument::Viewer => RoleDto::Viewer,
    };
    let (name, sign_in_name) = (arguments.name.clone(), arguments.sign_in_name.clone());
    let body = PersonBody { name, sign_in_name, role, crew: arguments.crew.clone() };
    let password = given(arguments.password_stdin)?;
    let added = Service::new(database.store.clone()).add_person(company, &body, password.as_deref()).await?;
    Ok(told(&added, password.is_some()))
}

async fn set_password(database: &Database, arguments: &SetPasswordArguments) -> Result<String, Refusal> {
    let company = company(database, arguments.company).await?;
    let service = Service::new(database.store.clone());
    let people = service.people(company).await?.people;
    let wanted = arguments.sign_in_name.trim().to_lowercase();
    let Some(person) = people.iter().find(|person| person.row.sign_in_name == wanted) else {
        let what = format!("nobody of this company signs in as {wanted}");
        return Err(Refusal::new("not-found", what, "write the name as it was given to `person add`"));
    };
    let password = given(arguments.password_stdin)?;
    let set = service.set_password(company, person.row.id, password.as_deref()).await?;
    Ok(told(&set, password.is_some()))
}

/// The one that is named, or the only one.
async fn company(database: &Database, named: Option<Uuid>) -> Result<CompanyId, Refusal> {
    let companies = database.companies().await?;
    let list = || companies.iter().map(|(id, name)| format!("{id} ({name})")).collect::<Vec<String>>().join(", ");
    match (named, companies.as_slice()) {
        (Some(id), all) if all.iter().any(|(known, _)| known.0 == id) => Ok(CompanyId(id)),
        (Some(id), _) => {
            Err(Refusal::new("not-found", format!("there is no company {id}"), format!("there are: {}", list())))
        }
        (None, [(only, _)]) => Ok(*only),
        (None, []) => Err(Refusal::new("no-company", "there is no company yet", "found one: tackfree found NAME")),
        (None, _) => {
            let cure = format!("name one with --company ID: {}", list());
            Err(Refusal::new("which-company", "there are several companies", cure))
        }
    }
}

/// The first line of standard input.
fn given(wanted: bool) -> Result<Option<String>, Refusal> {
    if !wanted {
        return Ok(None);
    }
    let mut text = String::new();
    let read = std::io::stdin().take(PASSWORD_BYTES_MAX).read_to_string(&mut text);
    read.map_err(|error| {
        let what = format!("the password cannot be read: {error}");
        Refusal::new("bad-password", what, "send it as one line of text")
    })?;
    Ok(Some(text.lines().next().unwrap_or_default().to_owned()))
}

fn told(set: &WithPassword, known: bool) -> String {
    let name = &set.person.sign_in_name;
    if known {
        return format!("sign-in name {name}\n");
    }
    format!(
        "sign-in name {name}\npassword     {}\nThe password is shown once; it can be changed after signing in.\n",
        set.password
    )
}
