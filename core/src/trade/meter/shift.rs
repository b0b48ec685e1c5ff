//! Species: meters are set for one wood and read others too high or too low. The shifts are the company's own, from its
//! meter's instructions or its own oven-dry samples (ASTM D4442); none is known by itself.

use super::MeterKind;

/// What to add to readings of one kind of meter on one species.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpeciesShift {
    /// Which meter.
    pub meter: MeterKind,
    /// As areas name it; capitals and outer spaces do not matter.
    pub species: String,
    /// Hundredths of a point.
    pub shift_centi: i32,
}

/// What to add for a species, hundredths of a point: nothing where nothing is known.
pub fn shift_centi(shifts: &[SpeciesShift], meter: MeterKind, species: Option<&str>) -> i32 {
    let Some(species) = species else { return 0 };
    let same = |shift: &&SpeciesShift| {
        shift.meter == meter && shift.species.trim().to_lowercase() == species.trim().to_lowercase()
    };
    shifts.iter().find(same).map_or(0, |shift| shift.shift_centi)
}
