//! The trade's numbers for whoever asks, without storing anything: each calculation is a question and its answer, a file
//! each, asked through `POST /v1/calculations/NAME` and `tackfree calculate NAME FILE`. What is computed lives in `trade`;
//! here questions are read, with every fault told, and answers put into words.

pub mod air;
pub mod drying;
pub mod gate;
pub mod house_air;
pub mod treatment_sections;

use crate::dto::{Located, read_json};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Largest question: one with a year of hourly weather in it.
pub const QUESTION_BYTES_MAX: usize = 4 << 20;

/// A question that can be answered from itself alone.
pub trait Calculation: DeserializeOwned {
    /// What is answered.
    type Answer: Serialize;

    /// The answer, or everything that is wrong with the question.
    ///
    /// # Errors
    /// The faults, each with its place.
    fn answer(&self) -> Result<Self::Answer, Vec<Located>>;

    /// The answer for people: a few plain lines, each ended.
    fn words(answer: &Self::Answer) -> String;
}

/// How an answer is given on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Lines for people.
    Words,
    /// JSON, as the API gives it.
    Json,
}

/// Something that reads a question and tells its answer.
type Teller = fn(&str, Form) -> Result<String, Vec<Located>>;

/// Every calculation by the name it has in addresses and on the command line, in the order of the alphabet.
pub const CALCULATIONS: &[(&str, Teller)] = &[
    ("air", tell::<air::AirQuestion>),
    ("drying", tell::<drying::DryingQuestion>),
    ("gate", tell::<gate::GateQuestion>),
    ("treatment-sections", tell::<treatment_sections::TreatmentSectionsQuestion>),
];

fn tell<C: Calculation>(text: &str, form: Form) -> Result<String, Vec<Located>> {
    let question: C = read_json(text, QUESTION_BYTES_MAX)?;
    let answer = question.answer()?;
    Ok(match form {
        Form::Words => C::words(&answer),
        // Answers are made of numbers, texts and lists, which JSON can always hold.
        Form::Json => serde_json::to_string_pretty(&answer).unwrap_or_default() + "\n",
    })
}
