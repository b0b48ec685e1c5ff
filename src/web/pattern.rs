//! The patterns of works and waits for drawings: the same as the strips of lists have, which style sheets cannot lend to
//! SVG. Colours come from the style sheet, by the class of the kind.

use maud::{Markup, html};

/// A tile: class of its colours, side, turn in degrees, and bars or dots in it.
struct Tile {
    id: &'static str,
    class: &'static str,
    side: &'static str,
    turn: i32,
    /// x, y, width, height.
    bars: &'static [(&'static str, &'static str, &'static str, &'static str)],
    dot: bool,
}

const fn tile(
    id: &'static str,
    class: &'static str,
    side: &'static str,
    turn: i32,
    bars: &'static [(&'static str, &'static str, &'static str, &'static str)],
) -> Tile {
    Tile { id, class, side, turn, bars, dot: false }
}

const fn dots(id: &'static str, class: &'static str) -> Tile {
    Tile { id, class, side: "6", turn: 0, bars: &[], dot: true }
}

const TILES: [Tile; 18] = [
    tile("p-k-set-up", "k-set-up", "7", 0, &[("0", "0", "7", "1.5")]),
    tile("p-k-sand", "k-sand", "6", 45, &[("0", "0", "1.5", "6")]),
    tile("p-k-edge", "k-edge", "6", 0, &[("3.6", "0", "2.4", "6")]),
    dots("p-k-vacuum", "k-vacuum"),
    dots("p-k-water-pop", "k-water-pop"),
    tile("p-k-treat-a", "k-treat-a", "6", 0, &[]),
    tile("p-k-treat-b", "k-treat-b", "6", 0, &[("0", "0", "6", "3")]),
    tile("p-k-check", "k-check", "6", 0, &[("0", "0", "3", "3"), ("3", "3", "3", "3")]),
    tile("p-k-stain", "k-stain", "5", -45, &[("0", "0", "1.5", "5")]),
    tile("p-k-seal", "k-seal", "5.5", 0, &[("0", "0", "1.5", "5.5")]),
    tile("p-k-abrade", "k-abrade", "5", 45, &[("0", "0", "1", "5"), ("0", "0", "5", "1")]),
    tile("p-k-coat", "k-coat", "6", 0, &[]),
    tile("p-k-walk-through", "k-walk-through", "8", 0, &[("0", "0", "2", "8")]),
    tile("p-k-other", "k-other", "5", 0, &[("0", "0", "5", "2")]),
    tile("p-wait", "f-wait", "6", 45, &[("0", "0", "2", "6")]),
    tile("p-out", "f-out", "7", 45, &[("0", "0", "3", "7")]),
    tile("p-in", "f-in", "6", 0, &[]),
    Tile { id: "p-missing", class: "f-missing", side: "6", turn: 0, bars: &[], dot: true },
];

/// All of them, once a page; drawings fill with `url(#p-CLASS)`.
pub(super) fn patterns() -> Markup {
    html! {
        svg.patterns width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                @for tile in &TILES {
                    pattern id=(tile.id) class=(tile.class) width=(tile.side) height=(tile.side) patternUnits="userSpaceOnUse"
                        patternTransform=[(tile.turn != 0).then(|| format!("rotate({})", tile.turn))] {
                        rect.tone width=(tile.side) height=(tile.side) {}
                        @for (x, y, width, height) in tile.bars { rect.mesh x=(x) y=(y) width=(width) height=(height) {} }
                        @if tile.dot { circle.mesh cx="3" cy="3" r="1.6" {} }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::words;

    #[test]
    fn every_kind_of_work_has_one() {
        for kind in words::KINDS {
            let class = words::class(kind);
            assert!(TILES.iter().any(|tile| tile.class == class && tile.id == format!("p-{class}")), "{class}");
        }
    }
}
