//! What can hurt somebody at a step in a house, said short and long. It reminds and decides nothing: label, safety data
//! sheet, local codes and licensed practice come before every word of it, and each long text ends by saying whose word
//! counts. Who sees it where is decided elsewhere.

use super::supplies::ProductBase;
use crate::domain::chain::StepKind;

/// Houses from this year on fall outside the lead rule: EPA Renovation, Repair and Painting rule, 40 CFR 745.
pub const LEAD_FREE_FROM_YEAR: i32 = 1978;
/// Resilient floors laid up to this year are presumed to have asbestos: 29 CFR 1926.1101(k)(1).
pub const ASBESTOS_UNTIL_YEAR: i32 = 1980;

/// What is known of a step and its house; `None` means that nobody has said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Facts {
    /// Kind of work.
    pub kind: StepKind,
    /// What is applied.
    pub base: Option<ProductBase>,
    /// When the house was built.
    pub built_year: Option<i32>,
    /// Whether there is a resilient floor (vinyl, asphalt tile, linoleum, and what it is glued with) on or under what is
    /// sanded.
    pub resilient_flooring: Option<bool>,
}

/// One thing to beware of, the gravest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Caution {
    /// A resilient floor of an old house.
    Asbestos,
    /// Nobody knows whether there is one.
    AsbestosUnknown,
    /// A house from before 1978.
    Lead,
    /// Nobody knows how old the house is.
    LeadUnknown,
    /// Vapour that burns.
    FlammableVapour,
    /// Rags and pads that heat themselves.
    OilyRags,
    /// Dust bags that heat themselves.
    DustBags,
    /// Dust in the air.
    WoodDust,
    /// Both parts of a treatment, on skin and in eyes.
    TreatmentContact,
    /// The dwell between the parts.
    DwellAir,
    /// Everything else that is rolled or wiped.
    Ventilation,
}

impl Caution {
    /// Every one, in order.
    pub const ALL: [Caution; 11] = [
        Caution::Asbestos,
        Caution::AsbestosUnknown,
        Caution::Lead,
        Caution::LeadUnknown,
        Caution::FlammableVapour,
        Caution::OilyRags,
        Caution::DustBags,
        Caution::WoodDust,
        Caution::TreatmentContact,
        Caution::DwellAir,
        Caution::Ventilation,
    ];

    /// Stable, for programs.
    pub const fn code(self) -> &'static str {
        match self {
            Caution::Asbestos => "asbestos",
            Caution::AsbestosUnknown => "asbestos-unknown",
            Caution::Lead => "lead",
            Caution::LeadUnknown => "lead-unknown",
            Caution::FlammableVapour => "flammable-vapour",
            Caution::OilyRags => "oily-rags",
            Caution::DustBags => "dust-bags",
            Caution::WoodDust => "wood-dust",
            Caution::TreatmentContact => "treatment-contact",
            Caution::DwellAir => "dwell-air",
            Caution::Ventilation => "ventilation",
        }
    }

    /// A few words, to stand beside the work.
    pub const fn short(self) -> &'static str {
        match self {
            Caution::Asbestos => "Old resilient floor: presume asbestos, do not sand",
            Caution::AsbestosUnknown => "Resilient floor? Find out before sanding (asbestos)",
            Caution::Lead => "Before 1978: lead-safe work",
            Caution::LeadUnknown => "Year of house unknown: find out (lead)",
            Caution::FlammableVapour => "Flammable vapour: pilot lights out, no sparks",
            Caution::OilyRags => "Oily rags heat themselves: metal container, water, lid",
            Caution::DustBags => "Dust bags heat themselves: empty outdoors",
            Caution::WoodDust => "Wood dust: extraction and respirator",
            Caution::TreatmentContact => "Gloves and eye protection with both parts",
            Caution::DwellAir => "Ventilate, but no fans in the dwell",
            Caution::Ventilation => "Ventilate; gloves and eyes as the safety data sheet says",
        }
    }

    /// The whole of it.
    pub const fn text(self) -> &'static str {
        match self {
            Caution::Asbestos => {
                "Vinyl and asphalt flooring laid in 1980 or earlier, with its backing and adhesive, is presumed to contain \
                 asbestos until a laboratory has shown otherwise (29 CFR 1926.1101). Do not sand, scrape or break it. \
                 Stop, and have it tested and removed by people licensed for it; local codes come first."
            }
            Caution::AsbestosUnknown => {
                "Nobody has said whether a resilient floor, or its old adhesive, is on or under what is to be sanded, in \
                 a house of 1980 or earlier or of unknown age. Find out before the first pass. Until then presume \
                 asbestos and do not sand it (29 CFR 1926.1101); local codes and licensed practice come first."
            }
            Caution::Lead => {
                "Paint and old finishes in houses built before 1978 may contain lead. Where painted surfaces are disturbed \
                 the EPA's Renovation, Repair and Painting rule (40 CFR 745) asks for a certified firm, containment and \
                 cleaning by the rule. No children or pregnant women near. State and local rules come first."
            }
            Caution::LeadUnknown => {
                "Nobody has said when the house was built. Find out; until then work as in a house from before 1978, where \
                 paint and old finishes may contain lead: certified firm, containment and cleaning by the EPA's \
                 Renovation, Repair and Painting rule (40 CFR 745). State and local rules come first."
            }
            Caution::FlammableVapour => {
                "Vapour of solvents burns and runs along the floor. Pilot lights, heaters, stoves and motors that spark off \
                 before the can is opened, and until the vapour is gone; no smoking; air from outdoors; switches left \
                 alone. The label and the safety data sheet say how long; the fuel supplier or a licensed person \
                 relights."
            }
            Caution::OilyRags => {
                "Rags, pads and rollers with oil or oil stain heat themselves and start fires hours later. At once into a \
                 metal container with water and a tight lid, outdoors, or spread flat to dry outdoors where the safety \
                 data sheet says so; never in a heap, a bag or the van. Disposal by local codes."
            }
            Caution::DustBags => {
                "Dust of sanded finish heats itself, most of all with oil or fresh abrasive heat in it. Empty the bag \
                 outdoors whenever the machine stops and before leaving; never leave a full bag in a house or van; keep \
                 it away from drains, flames and bins indoors. Disposal by local codes."
            }
            Caution::WoodDust => {
                "Limits for dust: OSHA 15 mg/m3 total and 5 mg/m3 respirable (particulates not otherwise regulated); NIOSH \
                 recommends 1 mg/m3 for wood dust. Extraction at the machine, fitted respirator, eyes and ears; dust in \
                 the air can explode: no flames. The employer's programme and local codes come first."
            }
            Caution::TreatmentContact => {
                "Gloves and eye protection with both parts of the treatment, from opening the can to cleaning the tools. \
                 Part A and part B never share a roller, tray or pad, and are never poured together. Splashes: rinse at \
                 once. The label and the safety data sheet come first."
            }
            Caution::DwellAir => {
                "Let fresh air in, but no fans and no forced drying in the dwell: the floor must still be damp when part B \
                 follows. If vapour troubles anybody, leave the room; people come before floors. The label and the \
                 safety data sheet come first."
            }
            Caution::Ventilation => {
                "Fresh air while it is applied and while it dries, as far as the label allows moving air over a wet coat. \
                 Gloves, eye protection and respirator as the safety data sheet says; it comes before everything here."
            }
        }
    }
}

/// What to beware of, the gravest first.
pub fn cautions(facts: Facts) -> Vec<Caution> {
    let mut found = match facts.kind {
        StepKind::Sand | StepKind::Edge | StepKind::Abrade | StepKind::Vacuum => {
            vec![Caution::DustBags, Caution::WoodDust]
        }
        StepKind::TreatA | StepKind::TreatB => vec![Caution::TreatmentContact, Caution::DwellAir],
        StepKind::Stain | StepKind::Seal | StepKind::Coat => vec![Caution::Ventilation],
        StepKind::SetUp | StepKind::WaterPop | StepKind::Check | StepKind::WalkThrough | StepKind::Other => Vec::new(),
    };
    if is_dusty(facts.kind) {
        found.extend(of_house(facts));
    }
    found.extend(of_product(facts));
    found.sort_unstable();
    found.dedup();
    found
}

/// Whether old layers are cut into, or dust of them is raised.
const fn is_dusty(kind: StepKind) -> bool {
    match kind {
        StepKind::Sand | StepKind::Edge | StepKind::Abrade => true,
        StepKind::SetUp
        | StepKind::Vacuum
        | StepKind::WaterPop
        | StepKind::TreatA
        | StepKind::TreatB
        | StepKind::Check
        | StepKind::Stain
        | StepKind::Seal
        | StepKind::Coat
        | StepKind::WalkThrough
        | StepKind::Other => false,
    }
}

fn of_house(facts: Facts) -> Vec<Caution> {
    let lead = match facts.built_year {
        None => Some(Caution::LeadUnknown),
        Some(year) => (year < LEAD_FREE_FROM_YEAR).then_some(Caution::Lead),
    };
    let is_old = facts.built_year.is_none_or(|year| year <= ASBESTOS_UNTIL_YEAR);
    let asbestos = match facts.resilient_flooring {
        Some(false) => None,
        Some(true) => is_old.then_some(Caution::Asbestos),
        None => is_old.then_some(Caution::AsbestosUnknown),
    };
    lead.into_iter().chain(asbestos).collect()
}

fn of_product(facts: Facts) -> &'static [Caution] {
    match facts.base {
        Some(ProductBase::Water | ProductBase::Treatment | ProductBase::Waterborne) => &[],
        Some(ProductBase::OilModified | ProductBase::PenetratingOil) => &[Caution::FlammableVapour, Caution::OilyRags],
        Some(ProductBase::Solvent) => &[Caution::FlammableVapour],
        // A can that nobody has described may be any of these.
        None => match facts.kind {
            StepKind::Stain | StepKind::Seal | StepKind::Coat => &[Caution::FlammableVapour, Caution::OilyRags],
            StepKind::SetUp
            | StepKind::Sand
            | StepKind::Edge
            | StepKind::Vacuum
            | StepKind::WaterPop
            | StepKind::TreatA
            | StepKind::TreatB
            | StepKind::Check
            | StepKind::Abrade
            | StepKind::WalkThrough
            | StepKind::Other => &[],
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(kind: StepKind, built_year: Option<i32>, resilient_flooring: Option<bool>) -> Vec<Caution> {
        cautions(Facts { kind, base: Some(ProductBase::Waterborne), built_year, resilient_flooring })
    }

    /// EPA RRP: before 1978. 29 CFR 1926.1101(k)(1): flooring laid no later than 1980.
    #[test]
    fn old_houses_and_houses_of_unknown_age() {
        let sand = |year, resilient| {
            let mut found = of(StepKind::Sand, year, resilient);
            found.retain(|caution| !matches!(caution, Caution::DustBags | Caution::WoodDust));
            found
        };
        assert_eq!(sand(Some(1977), Some(false)), [Caution::Lead]);
        assert_eq!(sand(Some(1978), Some(false)), []);
        assert_eq!(sand(None, Some(false)), [Caution::LeadUnknown]);
        assert_eq!(sand(Some(1979), Some(true)), [Caution::Asbestos]);
        assert_eq!(sand(Some(1980), None), [Caution::AsbestosUnknown]);
        assert_eq!(sand(Some(1981), Some(true)), []);
        assert_eq!(sand(None, None), [Caution::AsbestosUnknown, Caution::LeadUnknown]);
        assert_eq!(sand(None, Some(true)), [Caution::Asbestos, Caution::LeadUnknown]);
        assert!(of(StepKind::Coat, None, None).iter().all(|caution| *caution == Caution::Ventilation));
        assert!(of(StepKind::Edge, Some(1960), Some(false)).contains(&Caution::Lead));
    }

    #[test]
    fn products_bring_their_own() {
        let coat =
            |base| cautions(Facts { kind: StepKind::Coat, base, built_year: Some(2000), resilient_flooring: None });
        let oil = [Caution::FlammableVapour, Caution::OilyRags, Caution::Ventilation];
        assert_eq!(coat(Some(ProductBase::OilModified)), oil);
        assert_eq!(coat(Some(ProductBase::PenetratingOil)), oil);
        assert_eq!(coat(Some(ProductBase::Solvent)), [Caution::FlammableVapour, Caution::Ventilation]);
        assert_eq!(coat(Some(ProductBase::Waterborne)), [Caution::Ventilation]);
        assert_eq!(coat(None), oil, "an unknown can is taken for the worst");
        let both = [Caution::TreatmentContact, Caution::DwellAir];
        assert_eq!(of(StepKind::TreatA, None, None), both);
        assert_eq!(of(StepKind::TreatB, None, None), both);
        assert!(of(StepKind::WalkThrough, None, None).is_empty());
    }

    /// Dust of finish between coats heats itself as dust of the first sanding does, in the buffer's bag and the vacuum's.
    #[test]
    fn wherever_dust_is_bagged_the_bag_is_emptied() {
        for kind in [StepKind::Sand, StepKind::Edge, StepKind::Abrade, StepKind::Vacuum] {
            assert!(of(kind, Some(2000), None).starts_with(&[Caution::DustBags, Caution::WoodDust]), "{kind:?}");
        }
    }

    #[test]
    fn every_text_defers_to_those_who_know_better() {
        for caution in Caution::ALL {
            let text = caution.text().to_lowercase();
            let who = ["label", "safety data sheet", "local codes", "local rules", "licensed"];
            assert!(who.iter().any(|who| text.contains(who)), "{}", caution.code());
            assert!(caution.short().len() <= 60, "{} is not short", caution.code());
        }
        assert!(Caution::ALL.is_sorted());
        let numbers = Caution::WoodDust.text();
        assert!(numbers.contains("15 mg/m3") && numbers.contains("5 mg/m3") && numbers.contains("1 mg/m3"));
    }
}
