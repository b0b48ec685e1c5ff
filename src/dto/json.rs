//! From text to a wire shape: syntax, types and unknown members are told with pointer, line and column. Meaning is not
//! looked at here.

use super::fault::{Located, escaped, shown};
use crate::domain::fault::Fault;
use serde::de::DeserializeOwned;
use serde_json::error::Category;
use serde_path_to_error::{Path, Segment};

/// Reads one JSON document of at most `bytes_max` bytes. Nesting is bounded by the JSON reader (128 levels). Syntax and
/// type errors end the reading, so at most one of them is told.
pub fn read_json<T: DeserializeOwned>(text: &str, bytes_max: usize) -> Result<T, Vec<Located>> {
    let whole = |fault| vec![Located { pointer: String::new(), fault }];
    if text.len() > bytes_max {
        return Err(whole(Fault::new(
            "too-large",
            format!("the document has {} bytes", text.len()),
            format!("send at most {bytes_max} bytes"),
        )));
    }
    let mut reader = serde_json::Deserializer::from_str(text);
    let read = serde_path_to_error::deserialize(&mut reader).map_err(|error| {
        let pointer = pointer(error.path());
        vec![Located { pointer, fault: fault(error.inner()) }]
    })?;
    reader.end().map_err(|error| whole(fault(&error)))?;
    Ok(read)
}

fn pointer(path: &Path) -> String {
    let token = |segment: &Segment| match segment {
        Segment::Seq { index } => Some(format!("/{index}")),
        Segment::Map { key } | Segment::Enum { variant: key } => Some(format!("/{}", escaped(key))),
        Segment::Unknown => None,
    };
    path.iter().map_while(token).collect()
}

fn fault(error: &serde_json::Error) -> Fault {
    let text = error.to_string();
    let what = if text.chars().count() > 400 { shown(&text) } else { text };
    match error.classify() {
        Category::Syntax | Category::Eof | Category::Io => {
            Fault::new("bad-json", what, "mend the JSON (RFC 8259) at that line and column")
        }
        Category::Data if what.starts_with("unknown field") => {
            Fault::new("unknown-field", what, "remove it, or correct its spelling")
        }
        Category::Data if what.starts_with("missing field") => Fault::new("missing-field", what, "add it"),
        Category::Data if what.starts_with("duplicate") => Fault::new("duplicate-field", what, "give it once"),
        Category::Data if what.starts_with("unknown variant") => {
            Fault::new("unknown-value", what, "use one of the words listed")
        }
        Category::Data => Fault::new("wrong-type", what, "give a value of the expected type"),
    }
}

/// Compact text of a wire shape.
pub(super) fn write_json<T: serde::Serialize>(value: &T) -> String {
    // Wire shapes hold strings, numbers and string-keyed maps only, which JSON can always say.
    serde_json::to_string_pretty(value).unwrap_or_else(|error| unreachable!("a wire shape is always JSON: {error}"))
}
