//! Settings that are wrong in themselves, told before anything is started: what is wrong, and what cures it. That a value
//! can be read at all is seen by whoever reads it.

use super::Refusal;
use super::database::DatabaseArguments;
use tracing_subscriber::EnvFilter;

/// Fewer characters can be guessed by whoever may ask as often as he likes.
const TOKEN_CHARS_MIN: usize = 16;
/// How much is logged when nobody says.
const LOG_DEFAULT: &str = "warn";
/// Names that begin like ours and are read by nobody here: of tests, and of the compose file.
const OTHERS: [&str; 6] = [
    "TACKFREE_TEST_POSTGRES",
    "TACKFREE_BLESS",
    "TACKFREE_COMPANIES",
    "TACKFREE_FIRST_SEED",
    "TACKFREE_DATABASE_PASSWORD",
    "TACKFREE_DATABASE_ADMIN_PASSWORD",
];

/// A token that opens something: unset and empty mean that nothing opens it, short ones are refused.
pub fn token(name: &str, given: Option<&str>) -> Result<Option<String>, Refusal> {
    match given {
        None | Some("") => Ok(None),
        Some(token) if token.chars().count() < TOKEN_CHARS_MIN => {
            let what = format!("{name} has {} characters, and can be guessed", token.chars().count());
            let cure = format!("use at least {TOKEN_CHARS_MIN}, for example what `openssl rand -hex 32` prints");
            Err(Refusal::new("weak-token", what, cure))
        }
        Some(token) if token.chars().any(|c| c.is_whitespace() || c.is_control() || !c.is_ascii()) => {
            let what = format!("{name} holds a blank or a letter that cannot be sent in a header");
            Err(Refusal::new("bad-token", what, "use letters, digits and signs of ASCII only"))
        }
        Some(token) => Ok(Some(token.to_owned())),
    }
}

/// What is logged: `RUST_LOG`, or a little.
pub fn log_filter() -> Result<EnvFilter, Refusal> {
    let given = std::env::var(EnvFilter::DEFAULT_ENV).unwrap_or_default();
    filter(&given)
}

fn filter(given: &str) -> Result<EnvFilter, Refusal> {
    let text = if given.trim().is_empty() { LOG_DEFAULT } else { given };
    EnvFilter::try_new(text).map_err(|error| {
        let what = format!("RUST_LOG is {given:?}, which cannot be understood: {error}");
        Refusal::new("bad-log-filter", what, "write error, warn, info or debug, or for one part: warn,tackfree=debug")
    })
}

/// Settings that nobody reads, most probably mistyped, each with the one that may be meant. Only worth a word: others may
/// give names that begin like ours to programs beside this one.
pub fn mistyped(command: &clap::Command) -> Vec<String> {
    let mut known: Vec<String> = OTHERS.map(str::to_owned).to_vec();
    names(command, &mut known);
    let given = std::env::vars_os().filter_map(|(name, _)| name.into_string().ok());
    given.filter_map(|name| doubt(&name, &known)).collect()
}

fn names(command: &clap::Command, known: &mut Vec<String>) {
    known.extend(command.get_arguments().filter_map(|argument| argument.get_env()?.to_str().map(str::to_owned)));
    command.get_subcommands().for_each(|command| names(command, known));
}

fn doubt(name: &str, known: &[String]) -> Option<String> {
    if !name.starts_with("TACKFREE_") || known.iter().any(|known| known == name) {
        return None;
    }
    let near = known.iter().map(|known| (strsim::osa_distance(known, name), known)).min()?;
    (near.0 <= 3).then(|| format!("{name} is no setting of this program; is {} meant?", near.1))
}

impl DatabaseArguments {
    /// One setting that makes another one idle.
    pub fn idle(&self) -> Option<String> {
        let idle = self.database_url.is_some() && self.data_directory.is_some();
        idle.then(|| "the data directory is not used, because DATABASE_URL is set".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_that_can_be_guessed_are_refused_and_empty_ones_open_nothing() {
        let code = |given: Option<&str>| token("TACKFREE_X", given).map_err(|refusal| refusal.code);
        assert_eq!(code(None), Ok(None));
        assert_eq!(code(Some("")), Ok(None));
        assert_eq!(code(Some("fifteen-letters")), Err("weak-token".to_owned()));
        assert_eq!(code(Some("sixteen-letters!")), Ok(Some("sixteen-letters!".to_owned())));
        assert_eq!(code(Some("sixteen letters!")), Err("bad-token".to_owned()));
        assert_eq!(code(Some("sixteen-letters\u{e9}")), Err("bad-token".to_owned()));
        let refusal = token("TACKFREE_X", Some("guess-me")).unwrap_err();
        assert!(!refusal.what.contains("guess-me") && refusal.what.contains("TACKFREE_X"), "{refusal:?}");
    }

    #[test]
    fn a_filter_is_understood_or_refused() {
        for good in ["", " ", "info", "warn,tackfree=debug", "tackfree::service=trace"] {
            assert!(filter(good).is_ok(), "{good}");
        }
        let refusal = filter("tackfree=loud").unwrap_err();
        assert_eq!(refusal.code, "bad-log-filter");
        assert!(refusal.what.contains("loud"), "{refusal:?}");
    }

    #[test]
    fn a_mistyped_setting_is_doubted_and_others_are_let_be() {
        let known = ["TACKFREE_LISTEN", "TACKFREE_BEHIND_PROXY"].map(str::to_owned);
        let doubted = doubt("TACKFREE_BEHIND_PROXI", &known).unwrap();
        assert!(doubted.ends_with("is TACKFREE_BEHIND_PROXY meant?"), "{doubted}");
        for name in ["TACKFREE_LISTEN", "TACKFREE_SERVICE_HOST_OF_SOMEBODY", "LISTEN", "tackfree_listen"] {
            assert_eq!(doubt(name, &known), None, "{name}");
        }
    }
}
