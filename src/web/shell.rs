//! What every page has around it, and the style sheet that comes with the program.

use maud::{DOCTYPE, Markup, html};
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

/// The look of all pages.
pub(super) const STYLE: &str = include_str!("page.css");
/// Three planks.
pub(super) const MARK: &str = include_str!("mark.svg");

/// Where the style is: browsers keep it until it changes.
static STYLE_ADDRESS: LazyLock<String> = LazyLock::new(|| address("/page.css", STYLE));
static MARK_ADDRESS: LazyLock<String> = LazyLock::new(|| address("/mark.svg", MARK));

/// An address that changes when the content does.
pub(super) fn address(path: &str, content: &str) -> String {
    let hash = Sha256::digest(content.as_bytes());
    let hex: String = hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    format!("{path}?v={hex}")
}

/// A whole page.
pub(super) fn page(title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                link rel="stylesheet" href=(*STYLE_ADDRESS);
                link rel="icon" type="image/svg+xml" href=(*MARK_ADDRESS);
            }
            body { (body) }
        }
    }
}
