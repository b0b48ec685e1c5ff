//! Changes input a little: bytes anywhere, and where it is JSON, its values, so that what comes out is JSON again.

use serde_json::{Map, Value, json};

/// A small generator of its own (xorshift, Marsaglia 2003): the same seed, the same changes.
pub struct Dice(u64);

impl Dice {
    /// From a seed.
    pub fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// Below `most`, which is not 0.
    pub fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % u64::try_from(most).unwrap_or(u64::MAX)).unwrap_or(0)
    }
}

/// What people do not write.
const TEXTS: [&str; 14] = [
    "",
    " ",
    "\0",
    "x",
    "\u{1f}",
    "\u{202e}",
    "ß\u{301}",
    "2026-03-09T02:30:00-05:00",
    "2026-03-08",
    "9999-12-31T23:59:59Z",
    "24:00",
    "00:00",
    "America/Sao_Paulo",
    "=1+1",
];
const NUMBERS: [f64; 15] = [
    0.0,
    -0.0,
    1.0,
    -1.0,
    0.5,
    59.0,
    60.0,
    1440.0,
    10_081.0,
    32_768.0,
    1e9,
    -1e9,
    9.007_199_254_740_993e15,
    1e300,
    5e-324,
];

/// One to four changes.
pub fn changed(data: &[u8], seed: u64) -> Vec<u8> {
    let mut dice = Dice::new(seed);
    if dice.below(4) > 0
        && let Ok(mut value) = serde_json::from_slice::<Value>(data)
        && !value.is_number()
    {
        for _ in 0..=dice.below(4) {
            change_value(&mut value, &mut dice);
        }
        return value.to_string().into_bytes();
    }
    let mut bytes = data.to_vec();
    for _ in 0..=dice.below(4) {
        change_bytes(&mut bytes, &mut dice);
    }
    bytes
}

fn change_bytes(bytes: &mut Vec<u8>, dice: &mut Dice) {
    let length = bytes.len();
    let (from, most) = (dice.below(length + 1), dice.below(16) + 1);
    let until = (from + most).min(length);
    match dice.below(7) {
        0 if from < length => bytes[from] ^= 1 << dice.below(8),
        1 => drop(bytes.drain(from..until)),
        2 => {
            let piece = bytes[from..until].to_vec();
            let at = dice.below(length + 1);
            bytes.splice(at..at, piece);
        }
        3 => drop(bytes.splice(from..from, TEXTS[dice.below(TEXTS.len())].bytes())),
        4 => drop(bytes.splice(from..until, NUMBERS[dice.below(NUMBERS.len())].to_string().bytes())),
        5 if from < length => bytes[from] = b"\"\\,;:\n\r\t-*/%\x00\xff\xc3"[dice.below(15)],
        _ => bytes.truncate(from),
    }
}

/// A value somewhere in there.
fn pick<'a>(value: &'a mut Value, dice: &mut Dice) -> &'a mut Value {
    let inner = match value {
        Value::Array(items) => items.len(),
        Value::Object(members) => members.len(),
        _ => 0,
    };
    if inner == 0 || dice.below(8) == 0 {
        return value;
    }
    let which = dice.below(inner);
    match value {
        Value::Array(items) => pick(&mut items[which], dice),
        Value::Object(members) => match members.values_mut().nth(which) {
            Some(member) => pick(member, dice),
            None => unreachable!("it has so many members"),
        },
        _ => unreachable!("it has something in it"),
    }
}

fn change_value(whole: &mut Value, dice: &mut Dice) {
    let other = pick(&mut whole.clone(), dice).take();
    let choice = dice.below(10);
    let value = pick(whole, dice);
    match (value, choice) {
        (Value::Array(items), 0..=5) if !items.is_empty() => {
            let at = dice.below(items.len());
            match choice {
                0 | 1 => drop(items.remove(at)),
                2 | 3 => items.push(items[at].clone()),
                _ => items.rotate_left(at),
            }
        }
        (Value::Object(members), 0..=5) if !members.is_empty() => {
            let name = members.keys().nth(dice.below(members.len())).cloned().unwrap_or_default();
            match choice {
                0..=2 => drop(members.remove(&name)),
                3 => drop(members.insert(name, other)),
                _ => drop(members.insert(TEXTS[dice.below(TEXTS.len())].to_owned(), other)),
            }
        }
        (Value::Number(number), 0..=5) => {
            let near = number.as_f64().unwrap_or(0.0) + [-1.0, 1.0, 0.01, 1e6][dice.below(4)];
            *number = serde_json::Number::from_f64(near).unwrap_or_else(|| 0.into());
        }
        (Value::String(text), 0..=5) => {
            let mut bytes = std::mem::take(text).into_bytes();
            change_bytes(&mut bytes, dice);
            *text = String::from_utf8_lossy(&bytes).into_owned();
        }
        (value, 0..=7) => *value = other,
        (value, _) => {
            *value = match dice.below(7) {
                0 => Value::Null,
                1 => json!(dice.below(2) == 0),
                2 => Value::Array(Vec::new()),
                3 => Value::Object(Map::new()),
                4 => json!(TEXTS[dice.below(TEXTS.len())]),
                5 => json!("x".repeat(dice.below(300))),
                _ => json!(NUMBERS[dice.below(NUMBERS.len())]),
            }
        }
    }
}
