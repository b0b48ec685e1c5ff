//! What a floor takes: volumes, wet film, the two liquids of a mixed finish, and whole containers to buy.

use super::Calculation;
use crate::dto::{At, Faults, Located, PRODUCTS_MAX, ProductDto, ProductNeedDto, ProductTotalDto, StepKindDto};
use crate::trade::load_list::{ROLL_SQFT_PER_MINUTE, StepNeed, load};
use crate::trade::quantities::{COVER_SQFT_PER_GAL, SQFT_MAX};
use crate::trade::supplies::usual_product;
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use utoipa::ToSchema;

/// A floor and what goes on it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuantitiesQuestion {
    /// Square feet.
    #[schema(minimum = 1, maximum = 20_000_000, example = 620)]
    pub area_sqft: i64,
    /// Kind of work: gives the usual cover to products without one, and a product where none is named.
    #[serde(default)]
    pub kind: Option<StepKindDto>,
    /// What goes on it; left out: the usual product of the kind.
    #[serde(default)]
    #[schema(max_items = 10)]
    pub products: Option<Vec<ProductDto>>,
}

/// What the floor takes.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct QuantitiesAnswer {
    /// As asked.
    pub products: Vec<ProductNeedDto>,
    /// Added up by name, in whole containers.
    pub totals: Vec<ProductTotalDto>,
}

impl Calculation for QuantitiesQuestion {
    type Answer = QuantitiesAnswer;

    fn answer(&self) -> Result<QuantitiesAnswer, Vec<Located>> {
        let mut faults = Faults::default();
        let sqft = faults.whole(&At::Root.field("area_sqft"), self.area_sqft, 1..=SQFT_MAX, "square feet");
        let usual = self.kind.and_then(|kind| usual_product(kind.into()));
        let of_usual = || usual.map(|usual| ProductDto::named(usual.name)).into_iter().collect();
        let products: Vec<ProductDto> = self.products.clone().unwrap_or_else(of_usual);
        let at = At::Root.field("products");
        if products.is_empty() {
            let cure = "name a product with its cover, or a kind of work that uses one";
            faults.push(&at, crate::domain::fault::Fault::new("no-products", "nothing goes on the floor", cure));
        }
        if faults.count(&at, products.len(), PRODUCTS_MAX, "products") {
            let kind = self.kind.map(Into::into);
            products.iter().enumerate().for_each(|(index, product)| product.judge(&at.item(index), kind, &mut faults));
        }
        let (Some(sqft), true) = (sqft, faults.is_empty()) else { return Err(faults.into_list()) };
        let low = usual.map_or(*COVER_SQFT_PER_GAL.start(), |usual| usual.cover.low);
        let products = products.iter().map(|product| product.need(sqft, low, ROLL_SQFT_PER_MINUTE)).collect();
        let need = StepNeed { products, items: Vec::new() };
        Ok(QuantitiesAnswer {
            products: need.products.iter().map(ProductNeedDto::from).collect(),
            totals: load([&need]).products.iter().map(ProductTotalDto::from).collect(),
        })
    }

    fn words(answer: &QuantitiesAnswer) -> String {
        let mut out = String::new();
        for product in &answer.products {
            let _ = writeln!(out, "{}", product.in_words());
        }
        for total in &answer.totals {
            let cans: Vec<String> =
                total.containers.iter().map(|size| format!("{} x {} gal", size.count, size.size_gal)).collect();
            let (name, cans, left) = (&total.name, cans.join(" + "), total.left_over_gallons);
            let _ = writeln!(out, "buy {cans} {name}; {left:.2} gal left over");
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calculate::{CALCULATIONS, Form};

    fn ask(text: &str) -> Result<String, Vec<Located>> {
        let (_, tell) = CALCULATIONS.iter().find(|(name, _)| *name == "quantities").unwrap();
        tell(text, Form::Words)
    }

    /// By hand: 620 / 400 x 1.1 = 1.705 gal = 6.454 L; the cover is the low end of practice, no source.
    #[test]
    fn a_coat_by_its_kind_alone() {
        let told = ask(r#"{"area_sqft": 620, "kind": "coat"}"#).unwrap();
        assert!(told.contains("Finish: 1.70 gal = 6.45 L (400 sq ft/gal low end of what is usual"), "{told}");
        assert!(told.contains("4.0 mils wet") && told.contains("buy 2 x 1 gal Finish; 0.30 gal left over"), "{told}");
    }

    #[test]
    fn a_mixed_finish_is_bought_in_its_two_liquids() {
        let told =
            ask(r#"{"area_sqft": 1100, "products": [{"name": "finish", "cover_sqft_per_gal": 550, "waste_percent": 10,
                "coats": 2, "containers_gal": [1, 5], "mix": {"catalyst": "hardener", "product_parts": 10,
                "catalyst_parts": 1, "pot_life_minutes": 60}}]}"#)
            .unwrap();
        // 4.4 gal: 4.0 and 0.4; 2,200 sq ft at 15 a minute are 147 minutes, three batches.
        assert!(told.contains("mixed of 4.00 gal and 0.40 gal hardener in 3 batches"), "{told}");
        assert!(
            told.contains("buy 4 x 1 gal finish; 0.00")
                && told.contains("buy 2 x 0.25 gal hardener; 0.10 gal left over"),
            "{told}"
        );
    }

    #[test]
    fn what_cannot_be_is_told_with_its_place() {
        let place = |text: &str| {
            let faults = ask(text).unwrap_err();
            faults.iter().map(|fault| format!("{} {}", fault.pointer, fault.fault.code)).collect::<Vec<_>>()
        };
        assert_eq!(place(r#"{"area_sqft": 620}"#), ["/products no-products"]);
        assert_eq!(place(r#"{"area_sqft": 0, "kind": "coat"}"#), ["/area_sqft out-of-range"]);
        assert_eq!(place(r#"{"area_sqft": 9, "products": [{"name": "x"}]}"#), ["/products/0 cover-needed"]);
        let bad = r#"{"area_sqft": 9, "kind": "coat", "products": [{"name": "", "cover_sqft_per_gal": 9, "coats": 0,
            "waste_percent": 101, "containers_gal": [1, 0.001], "mix": {"catalyst": "h", "product_parts": 0,
            "catalyst_parts": 101, "pot_life_minutes": 1}}]}"#;
        let fields = [
            "name",
            "cover_sqft_per_gal",
            "coats",
            "waste_percent",
            "containers_gal/1",
            "mix/product_parts",
            "mix/catalyst_parts",
            "mix/pot_life_minutes",
        ];
        let found = place(bad);
        assert_eq!(found.len(), fields.len(), "{found:?}");
        for (field, found) in fields.iter().zip(&found) {
            assert!(found.starts_with(&format!("/products/0/{field} ")), "{field}: {found}");
        }
    }
}
