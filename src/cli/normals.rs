//! `normals FILE`: past weather in, the usual air of a region out, ready to be put into a region; no database.

use super::Refusal;
use crate::dto::{NormalsDto, PAST_WEATHER_BYTES_MAX, read_past_weather};
use crate::trade::normals::normals_of;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What `normals` is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct NormalsArguments {
    /// Hourly weather of at least one past year (CSV): columns start (RFC 3339, whole UTC hours), temp_c, rh_percent
    pub file: PathBuf,
}

/// The member `normals` of a region, as JSON. What was left out is told on standard error.
pub fn normals(arguments: &NormalsArguments) -> Result<String, Refusal> {
    let file = &arguments.file;
    let past = read_past_weather(&read(file)?)
        .map_err(|fault| Refusal::new(fault.code, format!("{}: {}", file.display(), fault.what), fault.cure))?;
    if past.left_out > 0 {
        eprintln!("note: {} lines have no temperature or no humidity and are left out", past.left_out);
    }
    let normals = normals_of(&past.hours)
        .map_err(|error| Refusal::new(error.code(), format!("{}: {error}", file.display()), error.cure()))?;
    let json = serde_json::to_string(&NormalsDto::from_domain(&normals));
    json.map(|json| json + "\n").map_err(|error| Refusal::new("json", error.to_string(), "report this defect"))
}

fn read(path: &Path) -> Result<String, Refusal> {
    let unreadable = |error: std::io::Error| {
        let what = format!("{} cannot be read: {error}", path.display());
        Refusal::new("unreadable-file", what, "name a text file (UTF-8) that you may read")
    };
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(unreadable)?;
    file.take(PAST_WEATHER_BYTES_MAX as u64 + 1).read_to_string(&mut text).map_err(unreadable)?;
    if text.len() > PAST_WEATHER_BYTES_MAX {
        let what = format!("{} is longer than {PAST_WEATHER_BYTES_MAX} bytes", path.display());
        return Err(Refusal::new("large-file", what, "give thirty years at most, and only the columns that are read"));
    }
    Ok(text)
}
