//! What is said to somebody whose input cannot be used: a stable code, what is wrong, and the cure. Where it was
//! found (a path into the document) is added by the edge that read the document.

use std::fmt;

/// One thing wrong with an input.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Stable, machine-readable, kebab-case.
    pub code: &'static str,
    /// What is wrong, naming the offending value.
    pub what: String,
    /// What would make it right.
    pub cure: String,
}

impl Fault {
    /// Puts the three parts together.
    pub fn new(code: &'static str, what: impl Into<String>, cure: impl Into<String>) -> Fault {
        Fault { code, what: what.into(), cure: cure.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({}); {}", self.what, self.code, self.cure)
    }
}

impl std::error::Error for Fault {}
