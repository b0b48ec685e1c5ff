//! Under a crew's day: what to load for it. In a visit: what to beware of there, short before the eyes, whole at a touch.

use super::visit::Visit;
use crate::dto::{CautionDto, ItemUseDto, LoadListDto, LoadTotalsDto};
use maud::{Markup, html};

/// The load list of a day; `is_open` where it is wanted at once.
pub(super) fn list(list: &LoadListDto, is_open: bool) -> Markup {
    let totals = &list.totals;
    html! {
        @if !list.crews.is_empty() {
            details.load open[is_open] {
                summary { "Load list" }
                @if !totals.products.is_empty() {
                    h3 { "Products" }
                    ul {
                        @for product in &totals.products {
                            li {
                                b { (cans(product)) } " " (product.name)
                                span.aside { " " (format!("{:.2} gal, {:.2} L", product.gallons, product.litres)) }
                            }
                        }
                    }
                }
                @if !totals.gear.is_empty() {
                    h3 { "Gear booked" }
                    ul { @for gear in &totals.gear { li { (gear.equipment) " no. " (gear.unit + 1) } } }
                }
                (items(totals))
                p.aside { "Label, safety data sheet and local codes come before this list." }
            }
        }
    }
}

fn cans(product: &crate::dto::ProductTotalDto) -> String {
    let cans = product.containers.iter().map(|size| format!("{} × {} gal", size.count, size.size_gal));
    cans.collect::<Vec<String>>().join(" + ")
}

fn items(totals: &LoadTotalsDto) -> Markup {
    let uses = [
        (ItemUseDto::Apply, "Rollers, trays, pads"),
        (ItemUseDto::Abrasive, "Abrasives"),
        (ItemUseDto::Clean, "Cleaning, dust, rags"),
        (ItemUseDto::Mask, "Masking"),
        (ItemUseDto::Protect, "Protection"),
    ];
    html! {
        @for (used_for, heading) in uses {
            @let own: Vec<_> = totals.items.iter().filter(|item| item.used_for == used_for).collect();
            @if !own.is_empty() {
                h3 { (heading) }
                ul { @for item in own { li { (item.count) " × " (item.name) } } }
            }
        }
    }
}

/// What to beware of on a visit.
pub(super) fn beware(visit: &Visit<'_>) -> Markup {
    let mut told: Vec<&CautionDto> = Vec::new();
    for caution in visit.iter().flat_map(|work| &work.cautions) {
        if !told.contains(&caution) {
            told.push(caution);
        }
    }
    html! {
        @if !told.is_empty() {
            div.beware {
                p { b { "Beware" } }
                ul { @for caution in &told { li { (caution.short) } } }
                details {
                    summary { "All of it" }
                    @for caution in &told { p { b { (caution.short) ". " } (caution.text) } }
                }
            }
        }
    }
}
