//! A load list as it is printed at six in the morning: a sheet for each crew with boxes to tick. Pure text, 96 columns.

use super::load_list::{
    CautionDto, CrewLoadDto, HouseLoadDto, LoadListDto, LoadTotalsDto, ProductNeedDto, WorkLoadDto,
};
use super::placement::GearDto;
use super::supplies::ItemUseDto;
use std::fmt::Write;

/// Columns of a printed line.
pub const COLUMNS: usize = 96;
/// Room for the name of a product before its cans.
const NAME_COLUMNS: usize = 28;

const USES: [(ItemUseDto, &str); 5] = [
    (ItemUseDto::Apply, "Rollers, trays, pads"),
    (ItemUseDto::Abrasive, "Abrasives"),
    (ItemUseDto::Clean, "Cleaning, dust, rags"),
    (ItemUseDto::Mask, "Masking"),
    (ItemUseDto::Protect, "Protection: for everybody, in every house"),
];

impl LoadListDto {
    /// The whole list.
    pub fn to_text(&self) -> String {
        let day = self.date.format("%A %-d %B %Y");
        let mut out = String::new();
        if self.crews.is_empty() {
            let _ = writeln!(out, "LOAD LIST  {day}\n\nNothing to load: no work starts on this day.");
            return out;
        }
        for crew in &self.crews {
            let people = if crew.head_count == 1 { "1 person".into() } else { format!("{} people", crew.head_count) };
            let _ = writeln!(out, "LOAD LIST  {}  {day}  ({people})\n", crew.crew_name);
            write_totals(&mut out, &crew.totals);
            out.push_str("House by house\n");
            crew.houses.iter().for_each(|house| write_house(&mut out, house));
            out.push('\n');
        }
        if self.crews.len() > 1 {
            let _ = writeln!(out, "ALL CREWS  {day}  (each crew loads its own containers)\n");
            write_totals(&mut out, &self.totals);
        }
        write_cautions(&mut out, &self.crews);
        out
    }
}

fn write_totals(out: &mut String, totals: &LoadTotalsDto) {
    if !totals.products.is_empty() {
        out.push_str("Products\n");
    }
    for product in &totals.products {
        let cans: Vec<String> =
            product.containers.iter().map(|size| format!("{} x {} gal", size.count, size.size_gal)).collect();
        let text = format!(
            "{} (needs {:.2} gal = {:.2} L; {:.2} gal left over)",
            cans.join(" + "),
            product.gallons,
            product.litres,
            product.left_over_gallons
        );
        let is_short = product.name.chars().count() <= NAME_COLUMNS;
        out.push_str(&if is_short {
            wrapped_after(&format!("  [ ] {:<NAME_COLUMNS$}  ", product.name), &text, NAME_COLUMNS + 8)
        } else {
            wrapped_after("  [ ] ", &format!("{} {text}", product.name), NAME_COLUMNS + 8)
        });
    }
    if !totals.gear.is_empty() {
        out.push_str("Gear booked\n");
        totals.gear.iter().for_each(|gear| writeln!(out, "  [ ] {}", unit(gear)).unwrap_or_default());
    }
    for (used_for, heading) in USES {
        let own: Vec<_> = totals.items.iter().filter(|item| item.used_for == used_for).collect();
        if !own.is_empty() {
            let _ = writeln!(out, "{heading}");
            own.iter().for_each(|item| writeln!(out, "  [ ] {:>3}  {}", item.count, item.name).unwrap_or_default());
        }
    }
    out.push('\n');
}

/// Numbers of units count from 1 where people read them.
fn unit(gear: &GearDto) -> String {
    format!("{} no. {}", gear.equipment, gear.unit + 1)
}

fn write_house(out: &mut String, house: &HouseLoadDto) {
    let place = house.address.as_ref().filter(|address| **address != house.house_name);
    let _ = writeln!(out, "\n  {}{}", house.house_name, place.map_or(String::new(), |place| format!("  ({place})")));
    house.works.iter().for_each(|work| write_work(out, work));
    if !house.cautions.is_empty() {
        let short: Vec<&str> = house.cautions.iter().map(|caution| caution.short.as_str()).collect();
        out.push_str(&wrapped(&format!("BEWARE: {}", short.join("; ")), 4, 12));
    }
}

fn write_work(out: &mut String, work: &WorkLoadDto) {
    let clock = |instant: &str| instant.get(11..16).unwrap_or("").to_owned();
    let part = if work.goes_on { ", goes on: material is there" } else { "" };
    let _ = writeln!(
        out,
        "    {}-{}  {}, {} sq ft{part}",
        clock(&work.start),
        clock(&work.finish),
        work.step_name,
        work.area_sqft
    );
    work.products.iter().for_each(|product| out.push_str(&wrapped(&product_line(product), 17, 19)));
    let mut things: Vec<String> = work.gear.iter().map(unit).collect();
    // What people wear stands above, once for all houses.
    let own = work.items.iter().filter(|item| item.used_for != ItemUseDto::Protect);
    things.extend(own.map(|item| format!("{} x {}", item.count, item.name)));
    if !things.is_empty() {
        out.push_str(&wrapped(&things.join("; "), 17, 19));
    }
}

impl ProductNeedDto {
    /// A line of text.
    pub fn in_words(&self) -> String {
        product_line(self)
    }
}

fn product_line(product: &ProductNeedDto) -> String {
    let basis = if product.cover_given { "as given" } else { "low end of what is usual; the label comes first" };
    let coats = if product.coats == 1 { String::new() } else { format!("{} coats, ", product.coats) };
    let mut line = format!(
        "{}: {:.2} gal = {:.2} L ({coats}{} sq ft/gal {basis}, {} % waste, {:.1} mils wet)",
        product.name,
        product.gallons,
        product.litres,
        product.cover_sqft_per_gal,
        product.waste_percent,
        product.wet_mils
    );
    if let Some(mix) = &product.mix {
        let _ = write!(
            line,
            "; mixed of {:.2} gal and {:.2} gal {} in {} batches, each used within {} min",
            mix.product_gallons, mix.catalyst_gallons, mix.catalyst, mix.batches, mix.pot_life_minutes
        );
    }
    line
}

/// Each caution once, whole.
fn write_cautions(out: &mut String, crews: &[CrewLoadDto]) {
    let mut told: Vec<&CautionDto> = Vec::new();
    for caution in crews.iter().flat_map(|crew| &crew.houses).flat_map(|house| &house.cautions) {
        if !told.contains(&caution) {
            told.push(caution);
        }
    }
    if told.is_empty() {
        return;
    }
    out.push_str("What to beware of (labels, safety data sheets, local codes and licensed practice come first)\n");
    for caution in told {
        out.push_str(&wrapped(&format!("{}. {}", caution.short, caution.text), 2, 4));
    }
}

/// A paragraph in lines of at most `COLUMNS` characters, the first indented by `first`, the others by `rest`.
pub fn wrapped(text: &str, first: usize, rest: usize) -> String {
    wrapped_after(&" ".repeat(first), text, rest)
}

/// As [`wrapped`], with `lead` as it is before the first word.
pub fn wrapped_after(lead: &str, text: &str, rest: usize) -> String {
    let mut out = String::new();
    let mut line = lead.to_owned();
    let mut is_empty = true;
    for word in text.split_whitespace() {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > COLUMNS {
            out.push_str(&line);
            out.push('\n');
            line = " ".repeat(rest);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    out.push_str(&line);
    out.push('\n');
    out
}
