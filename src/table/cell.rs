//! Cells that no spreadsheet takes for a formula. OWASP's page on CSV injection (owasp.org/www-community/attacks/
//! CSV_Injection) names the characters that begin one and says to put a single quote before them; the quote is taken away
//! when a table is read. A plain number is no formula and stays a number, with its sign.

/// What a formula may begin with, in their full-width forms too.
const BEGINNINGS: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
const GUARD: char = '\'';

/// The text as it goes into a cell. A guard that was there before gets one of its own, so that nothing is lost.
pub fn guarded(text: &str) -> String {
    let needs = text.starts_with(BEGINNINGS) && !is_number(text) || text.starts_with(GUARD);
    if needs { format!("{GUARD}{text}") } else { text.to_owned() }
}

/// The text that a cell stands for. A quote before anything else is the text's own.
pub fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix(GUARD) {
        Some(rest) if rest.starts_with(BEGINNINGS) || rest.starts_with(GUARD) => rest,
        _ => cell,
    }
}

/// Such as "-74.006": sign, digits, one point.
fn is_number(text: &str) -> bool {
    let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
    let (whole, part) = digits.split_once('.').unwrap_or((digits, "0"));
    [whole, part].iter().all(|digits| !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit()))
}
