//! Dense indices into a situation, and the set of skills. Indices are assigned in the order of the input, so they are
//! the same on every run.

macro_rules! index {
    ($(#[$doc:meta] $name:ident($inner:ty);)*) => {$(
        #[$doc]
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub $inner);

        impl $name {
            /// As a slice index.
            pub const fn index(self) -> usize {
                self.0 as usize
            }

            /// From a slice index; sizes are bounded on the way in, far below the type's range.
            pub const fn from_index(index: usize) -> $name {
                $name(index as $inner)
            }
        }
    )*};
}

index! {
    /// A house of the situation.
    HouseIx(u32);
    /// A crew of the situation.
    CrewIx(u32);
    /// A kind of equipment of the situation.
    EquipmentIx(u16);
    /// A weather region of the situation.
    RegionIx(u16);
    /// A job of the situation.
    JobIx(u32);
    /// A step of a chain.
    StepIx(u16);
    /// A wait of a chain.
    WaitIx(u16);
    /// An area of a house.
    AreaIx(u16);
}

/// A step of a job of the situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StepRef {
    /// Which job.
    pub job: JobIx,
    /// Which step of its chain.
    pub step: StepIx,
}

/// A set of skills, by their position in the situation's list of skills.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SkillSet(pub u64);

impl SkillSet {
    /// Whether every skill of `needed` is here.
    pub const fn covers(self, needed: SkillSet) -> bool {
        needed.0 & !self.0 == 0
    }

    /// With the skill at `position` (below 64).
    pub const fn with(self, position: usize) -> SkillSet {
        SkillSet(self.0 | 1 << position)
    }

    /// Those of `self` and those of `other`.
    pub const fn and(self, other: SkillSet) -> SkillSet {
        SkillSet(self.0 | other.0)
    }

    /// Those of `self` that are not in `other`.
    pub const fn minus(self, other: SkillSet) -> SkillSet {
        SkillSet(self.0 & !other.0)
    }

    /// Positions in rising order.
    pub fn positions(self) -> impl Iterator<Item = usize> {
        (0..64).filter(move |position| self.0 >> position & 1 == 1)
    }
}
