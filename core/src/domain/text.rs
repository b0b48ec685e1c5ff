//! Short texts that exist only if they are valid: keys (what programs call a thing) and names (what people call it).

use super::bounds::{KEY_CHARS_MAX, NAME_CHARS_MAX};
use super::fault::Fault;
use std::fmt;
use std::sync::Arc;

/// What programs call a thing: 1 to 64 of letters, digits, `.`, `_`, `-`. Cheap to clone.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(Arc<str>);

impl Key {
    /// Checks length and characters.
    pub fn parse(text: &str) -> Result<Key, Fault> {
        let allowed = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
        if text.is_empty() || text.len() > KEY_CHARS_MAX || !text.chars().all(allowed) {
            let shown: String = text.chars().take(KEY_CHARS_MAX).collect();
            return Err(Fault::new(
                "bad-key",
                format!("{shown:?} cannot be used as an identifier"),
                format!("use 1 to {KEY_CHARS_MAX} letters, digits, dots, underscores or hyphens"),
            ));
        }
        Ok(Key(text.into()))
    }

    /// The text itself.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What people call a thing: 1 to 120 characters after trimming, no control characters. Cheap to clone.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(Arc<str>);

impl Name {
    /// Trims, then checks length and characters.
    pub fn parse(text: &str) -> Result<Name, Fault> {
        let trimmed = text.trim();
        let length = trimmed.chars().take(NAME_CHARS_MAX + 1).count();
        if length == 0 || length > NAME_CHARS_MAX || trimmed.chars().any(char::is_control) {
            let shown: String = trimmed.chars().take(40).collect();
            return Err(Fault::new(
                "bad-name",
                format!("{shown:?} cannot be used as a name"),
                format!("use 1 to {NAME_CHARS_MAX} characters without control characters"),
            ));
        }
        Ok(Name(trimmed.into()))
    }

    /// The text itself.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", &*self.0)
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
