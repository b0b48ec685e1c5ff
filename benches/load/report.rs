//! The figures as tables in markdown, and as a plot.

use crate::arrivals::{Tally, quantile};
use crate::mix::KINDS;
use plotters::prelude::*;
use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

/// One rate.
pub struct Step {
    pub tally: Tally,
    /// Processor seconds a second.
    pub server_cpu: f64,
    pub postgres_cpu: f64,
    pub driver_cpu: f64,
    /// Companies that wait to have their plan looked at when the step is over.
    pub repairs_waiting: f64,
    pub repairs_a_second: f64,
}

pub fn ms(time: Duration) -> String {
    let ms = time.as_secs_f64() * 1e3;
    if ms < 10.0 { format!("{ms:.1}") } else { format!("{ms:.0}") }
}

/// Rates and times, all kinds together.
pub fn steps_table(steps: &[Step]) -> String {
    let mut text = String::from(
        "| offered /s | answered /s | p50 ms | p99 ms | max ms | shed | given up | processors: server, PostgreSQL, driver \
         | repairs /s | companies waiting |\n|---:|---:|---:|---:|---:|---:|---:|---|---:|---:|\n",
    );
    for step in steps {
        let times = step.tally.times(None);
        let [p50, p99, most] = [50.0, 99.0, 100.0].map(|percent| ms(quantile(&times, percent)));
        let _ = writeln!(
            text,
            "| {:.0} | {:.0} | {p50} | {p99} | {most} | {} | {} | {:.2}, {:.2}, {:.2} | {:.1} | {:.0} |",
            step.tally.offered_a_second(),
            step.tally.answered_a_second(),
            step.tally.shed,
            step.tally.given_up,
            step.server_cpu,
            step.postgres_cpu,
            step.driver_cpu,
            step.repairs_a_second,
            step.repairs_waiting,
        );
    }
    text
}

/// p50 / p99 / max of each kind at each rate.
pub fn kinds_table(steps: &[Step]) -> String {
    let mut text = String::from("| p50 / p99 / max, ms |");
    for step in steps {
        let _ = write!(text, " {:.0} /s |", step.tally.offered_a_second());
    }
    text.push_str("\n|---|");
    text.push_str(&"---|".repeat(steps.len()));
    for (kind, words, _) in KINDS {
        let _ = write!(text, "\n| {words} |");
        for step in steps {
            let times = step.tally.times(Some(kind));
            let [p50, p99, most] = [50.0, 99.0, 100.0].map(|percent| ms(quantile(&times, percent)));
            let _ = write!(text, " {p50} / {p99} / {most} |");
        }
    }
    text.push_str("\n\n| status |");
    for step in steps {
        let _ = write!(text, " {:.0} /s |", step.tally.offered_a_second());
    }
    text.push_str("\n|---|");
    text.push_str(&"---:|".repeat(steps.len()));
    let statuses: std::collections::BTreeSet<u16> =
        steps.iter().flat_map(|step| step.tally.statuses.keys().copied()).collect();
    for status in statuses {
        let _ = write!(text, "\n| {status} |");
        for step in steps {
            let _ = write!(text, " {} |", step.tally.statuses.get(&status).unwrap_or(&0));
        }
    }
    text.push('\n');
    text
}

/// Times over answered rates of several ramps, both axes by powers: p50 thin, p99 thick. Colours are of Okabe and Ito's
/// palette; points are round on the first ramp and three-cornered on the second.
pub fn plot(path: &Path, ramps: &[(&str, &[Step])]) -> Result<(), Box<dyn std::error::Error>> {
    let area = SVGBackend::new(path, (860, 460)).into_drawing_area();
    area.fill(&WHITE)?;
    let rates = ramps.iter().flat_map(|ramp| ramp.1).map(|step| step.tally.offered_a_second());
    let (least, most) = rates.fold((f64::MAX, 1.0_f64), |(least, most), rate| (least.min(rate), most.max(rate)));
    let mut chart = ChartBuilder::on(&area)
        .caption("Time to the whole answer by requests a second (open loop)", ("sans-serif", 18))
        .margin(12)
        .x_label_area_size(42)
        .y_label_area_size(56)
        .build_cartesian_2d((least * 0.9..most * 1.1).log_scale(), (0.3..10_000.0).log_scale())?;
    chart.configure_mesh().x_desc("offered, requests a second").y_desc("milliseconds").draw()?;
    let colours = [RGBColor(0, 114, 178), RGBColor(213, 94, 0)];
    for (number, (words, steps)) in ramps.iter().enumerate() {
        let colour = colours[number % colours.len()];
        for (percent, width) in [(50.0, 1), (99.0, 3)] {
            let points: Vec<(f64, f64)> = steps
                .iter()
                .map(|step| {
                    let time = quantile(&step.tally.times(None), percent).as_secs_f64() * 1e3;
                    (step.tally.offered_a_second(), time.max(0.3))
                })
                .collect();
            let style = colour.stroke_width(width);
            let series = chart.draw_series(LineSeries::new(points.clone(), style))?;
            series
                .label(format!("{words}, p{percent:.0}"))
                .legend(move |(x, y)| PathElement::new([(x, y), (x + 22, y)], style));
            if number == 0 {
                chart.draw_series(points.into_iter().map(|point| Circle::new(point, 3, colour.filled())))?;
            } else {
                chart.draw_series(points.into_iter().map(|point| TriangleMarker::new(point, 5, colour.filled())))?;
            }
        }
    }
    let labels = SeriesLabelPosition::UpperLeft;
    chart.configure_series_labels().position(labels).background_style(WHITE).border_style(BLACK).draw()?;
    area.present()?;
    Ok(())
}
