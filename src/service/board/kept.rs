//! What has been worked out and is still true: chances take a second, a board some thousand small objects, and every screen
//! asks for them.

use super::BoardChances;
use crate::service::rendered::RenderedKept;
use crate::store::CompanyId;
use chrono::NaiveDate;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// Companies whose chances are kept at once; some hundred kilobytes each at most.
const COMPANIES_MAX: usize = 64;

/// For which state of things, and what came out.
type Known = (String, Arc<BoardChances>);

/// Of whom, from when until when, of which draft.
pub(super) type BoardKey = (CompanyId, NaiveDate, NaiveDate, Option<Uuid>);

/// By company.
#[derive(Clone, Default)]
pub(crate) struct Kept {
    chances: Arc<Mutex<BTreeMap<CompanyId, Known>>>,
    pub(super) boards: RenderedKept<BoardKey>,
}

impl Kept {
    /// If they are of this state.
    pub(super) fn chances(&self, company: CompanyId, tag: &str) -> Option<Arc<BoardChances>> {
        let kept = self.chances.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(&company).filter(|(of, _)| of == tag).map(|(_, chances)| chances.clone())
    }

    /// In place of what was kept of the company; where there are too many companies, one of the others goes.
    pub(super) fn keep_chances(&self, company: CompanyId, tag: String, chances: Arc<BoardChances>) {
        let mut kept = self.chances.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= COMPANIES_MAX && !kept.contains_key(&company) {
            kept.pop_first();
        }
        kept.insert(company, (tag, chances));
    }
}
