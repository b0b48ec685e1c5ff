//! Content lines (RFC 5545 section 3.1): escaping, folding and line ends. What the lines mean is not known here.

/// Octets in a line without its CRLF, the most RFC 5545 allows.
const LINE_MAX_OCTETS: usize = 75;

/// The lines written so far.
#[derive(Default)]
pub(super) struct Lines(String);

impl Lines {
    /// `name:value` for values with a grammar of their own (dates, offsets, addresses): nothing is escaped, and no
    /// control character gets through, so that no value can start a line of its own.
    pub fn word(&mut self, name: &str, value: &str) {
        self.line(&format!("{name}:{}", value.chars().filter(|c| !c.is_control()).collect::<String>()));
    }

    /// `name:value` for the TEXT type (section 3.3.11).
    pub fn text(&mut self, name: &str, value: &str) {
        self.line(&format!("{name}:{}", escaped(value)));
    }

    /// `name:value,value,...` of TEXT values.
    pub fn texts(&mut self, name: &str, values: &[String]) {
        let values: Vec<String> = values.iter().map(|value| escaped(value)).collect();
        self.line(&format!("{name}:{}", values.join(",")));
    }

    pub fn into_string(self) -> String {
        self.0
    }

    /// Folds by octets and never inside a character: a reader may decode line by line.
    fn line(&mut self, line: &str) {
        let mut room = LINE_MAX_OCTETS;
        for character in line.chars() {
            if character.len_utf8() > room {
                self.0.push_str("\r\n ");
                room = LINE_MAX_OCTETS - 1;
            }
            self.0.push(character);
            room -= character.len_utf8();
        }
        self.0.push_str("\r\n");
    }
}

/// Every kind of line break becomes `\n`, the Unicode separators too because readers split lines at them; a tab stays,
/// other control characters have no place in TEXT and are dropped.
fn escaped(value: &str) -> String {
    let mut out = String::with_capacity(value.len() + 8);
    let mut characters = value.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '\\' | ';' | ',' => out.extend(['\\', character]),
            '\r' if characters.peek() == Some(&'\n') => {}
            '\n' | '\r' | '\u{85}' | '\u{2028}' | '\u{2029}' => out.push_str("\\n"),
            '\t' => out.push('\t'),
            _ if character.is_control() => {}
            _ => out.push(character),
        }
    }
    out
}
