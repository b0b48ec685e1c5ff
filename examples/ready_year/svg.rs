//! As much of SVG as one chart needs: shapes and text with a class each, looked after by one style sheet.

use std::fmt::{Display, Write};

/// A drawing that grows from back to front.
pub struct Svg {
    body: String,
    width: i64,
    height: i64,
}

/// Where a text is held.
#[derive(Clone, Copy)]
pub enum Anchor {
    Start,
    End,
}

impl Svg {
    pub fn new(width: i64, height: i64) -> Svg {
        Svg { body: String::new(), width, height }
    }

    fn push(&mut self, element: std::fmt::Arguments<'_>) {
        // Writing to a string does not fail.
        let _ = self.body.write_fmt(element);
        self.body.push('\n');
    }

    pub fn rect(&mut self, class: &str, (x, y): (f64, f64), (width, height): (f64, f64)) {
        self.push(format_args!(
            r#"<rect class="{class}" x="{}" y="{}" width="{}" height="{}"/>"#,
            short(x),
            short(y),
            short(width),
            short(height)
        ));
    }

    pub fn line(&mut self, class: &str, (x1, y1): (f64, f64), (x2, y2): (f64, f64)) {
        let [x1, y1, x2, y2] = [x1, y1, x2, y2].map(short);
        self.push(format_args!(r#"<line class="{class}" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>"#));
    }

    /// `path` is path data, as from [`move_to`] and [`line_to`].
    pub fn path(&mut self, class: &str, path: &str) {
        if !path.is_empty() {
            self.push(format_args!(r#"<path class="{class}" d="{path}"/>"#));
        }
    }

    pub fn text(&mut self, class: &str, anchor: Anchor, (x, y): (f64, f64), text: impl Display) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::End => "end",
        };
        let text = escaped(&text.to_string());
        let [x, y] = [x, y].map(short);
        self.push(format_args!(r#"<text class="{class}" text-anchor="{anchor}" x="{x}" y="{y}">{text}</text>"#));
    }

    /// The document. `title` and `description` are for readers who do not see it.
    pub fn finish(self, title: &str, description: &str, style: &str) -> String {
        let Svg { body, width, height } = self;
        let (title, description) = (escaped(title), escaped(description));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" \
             role=\"img\" aria-labelledby=\"title description\">\n<title id=\"title\">{title}</title>\n\
             <desc id=\"description\">{description}</desc>\n<style>{style}</style>\n{body}</svg>\n"
        )
    }
}

/// Two decimals at most: finer than any screen, and the file stays small.
pub fn short(number: f64) -> String {
    let text = format!("{number:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

pub fn move_to(x: f64, y: f64) -> String {
    format!("M{} {}", short(x), short(y))
}

pub fn line_to(x: f64, y: f64) -> String {
    format!("L{} {}", short(x), short(y))
}

/// A filled box as a piece of path data.
pub fn box_path(x: f64, y: f64, width: f64, height: f64) -> String {
    format!("M{} {}h{}v{}h-{}z", short(x), short(y), short(width), short(height), short(width))
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
