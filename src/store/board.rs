//! Whether anything that the office's board shows has changed: one number to compare, for one cheap question.

use super::{Session, StoreError};

impl Session {
    /// How often plans and what they are made from have changed; it rises with every change.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn world_changes(&mut self) -> Result<i64, StoreError> {
        Ok(sqlx::query_scalar(WORLD_CHANGES).bind(self.company.0).fetch_one(self.db()).await?)
    }
}

/// Versions start at 1 and rise with each change; reports and readings are only ever added.
const WORLD_CHANGES: &str = "
    SELECT ((SELECT coalesce(sum(version), 0) FROM company WHERE id = $1)
          + (SELECT coalesce(sum(version), 0) FROM house WHERE company_id = $1)
          + (SELECT coalesce(sum(version), 0) FROM crew WHERE company_id = $1)
          + (SELECT coalesce(sum(version), 0) FROM equipment WHERE company_id = $1)
          + (SELECT coalesce(sum(version), 0) FROM region WHERE company_id = $1)
          + (SELECT coalesce(sum(version), 0) FROM job WHERE company_id = $1)
          + (SELECT coalesce(sum(version), 0) FROM plan WHERE company_id = $1)
          + (SELECT count(*) FROM step_record WHERE company_id = $1)
          + (SELECT count(*) FROM step_restated WHERE company_id = $1)
          + (SELECT count(*) FROM house_air_reading WHERE company_id = $1))::bigint";
