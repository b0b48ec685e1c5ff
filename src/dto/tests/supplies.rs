//! What several products in one step mean for cautions and cure.

use crate::dto::{FilmDto, HouseDto, StepDto};
use crate::trade::supplies::ProductBase;
use serde_json::{Value, json};

fn step(kind: &str, products: Value) -> StepDto {
    let step = json!({"key": "coat", "name": "Coat", "kind": kind, "minutes": 30, "products": products});
    serde_json::from_value(step).unwrap()
}

fn codes(step: &StepDto, film: Option<FilmDto>) -> Vec<&'static str> {
    let house: HouseDto = serde_json::from_value(json!({
        "key": "elm-2", "name": "Elm", "areas": [{"name": "Hall", "area_sqft": 100}], "air": "closed",
        "access": {"week": []}, "built_year": 2001
    }))
    .unwrap();
    step.cautions(film, &house).iter().map(|caution| caution.code()).collect()
}

/// Rags with oil heat themselves, whatever else is in the step; of two cans the one nobody described may be oil.
#[test]
fn every_product_of_a_step_brings_its_cautions() {
    let worst = ["flammable-vapour", "oily-rags", "ventilation"];
    let thinned = json!([{"name": "oil stain", "base": "oil_modified"}, {"name": "thinner", "base": "solvent"}]);
    assert_eq!(codes(&step("stain", thinned), None), worst);
    let unknown = json!([{"name": "water", "base": "water"}, {"name": "stain"}]);
    assert_eq!(codes(&step("stain", unknown.clone()), None), worst);
    assert_eq!(codes(&step("stain", unknown), Some(FilmDto::Waterborne)), ["ventilation"]);
    let none = json!([]);
    assert_eq!(codes(&step("stain", none), None), worst, "no product named is one that nobody described");
}

/// Practice: oil-modified 14 to 30 days, penetrating oil 7 to 14. The slower one decides when the floor is cured.
#[test]
fn the_slowest_product_decides_the_cure() {
    let base = |products| step("coat", products).base(None);
    let oils = json!([{"name": "a", "base": "oil_modified"}, {"name": "b", "base": "penetrating_oil"}]);
    assert_eq!(base(oils), Some(ProductBase::OilModified));
    let half_known = json!([{"name": "a", "base": "water"}, {"name": "b"}]);
    assert_eq!(base(half_known), None, "one that nobody described may be slower");
}
