//! The habits of the code that a compiler does not hold: which module may import which, who may read the clock or write
//! SQL, how long a file may grow, and that no machine's paths are committed.

use std::fs;
use std::path::{Path, PathBuf};

fn files(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
        if entry.is_dir() {
            files(&entry, out);
        } else if entry.extension().is_some_and(|extension| extension == "rs") {
            out.push(entry);
        }
    }
}

fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    let mut paths = Vec::new();
    files(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), &mut paths);
    paths.sort();
    assert!(!paths.is_empty(), "{folder} has sources");
    paths.into_iter().map(|path| (path.clone(), fs::read_to_string(path).unwrap())).collect()
}

/// Of both packages.
fn all_sources() -> impl Iterator<Item = (PathBuf, String)> {
    sources("src").into_iter().chain(sources("core/src"))
}

/// Lines of code, comments left out.
fn code(text: &str) -> impl Iterator<Item = &str> {
    text.lines().map(|line| line.split("//").next().unwrap_or("")).filter(|line| !line.trim().is_empty())
}

const MODULES: &[&str] = &[
    "api",
    "audit",
    "browser",
    "calculate",
    "chance",
    "cli",
    "demo",
    "difference",
    "domain",
    "dto",
    "feed",
    "measure",
    "methods",
    "planner",
    "service",
    "store",
    "table",
    "trade",
    "weather",
    "web",
    "webhook",
    "worker",
];

/// Those of the package `tackfree-core`, which knows of none of the others.
const CORE: &[&str] = &["audit", "chance", "domain", "planner", "trade"];

#[test]
fn imports_go_one_way() {
    let may: &[(&str, &[&str])] = &[
        ("domain", &[]),
        ("trade", &["domain"]),
        ("planner", &["domain", "trade"]),
        ("audit", &["domain", "trade"]),
        ("chance", &["domain", "trade"]),
        ("difference", &["domain", "trade", "audit"]),
        ("feed", &["domain"]),
        ("measure", &[]),
        ("methods", &[]),
        ("dto", &["domain", "trade", "audit", "chance", "methods"]),
        ("weather", &["domain", "dto", "trade"]),
        ("table", &["domain", "dto"]),
        ("store", &[]),
        (
            "service",
            &[
                "domain",
                "trade",
                "planner",
                "difference",
                "audit",
                "chance",
                "feed",
                "dto",
                "measure",
                "store",
                "table",
                "weather",
                "webhook",
            ],
        ),
        ("webhook", &["domain"]),
        ("calculate", &["domain", "trade", "dto"]),
        ("browser", &["service", "store"]),
        (
            "api",
            &["browser", "chance", "domain", "dto", "calculate", "measure", "service", "store", "table", "weather"],
        ),
        ("web", &["browser", "domain", "dto", "service", "store"]),
        ("worker", &["service", "store", "webhook"]),
    ];
    let mut broken = Vec::new();
    for (module, allowed) in may {
        let of_core = CORE.contains(module);
        for (path, text) in sources(&format!("{}/{module}", if of_core { "core/src" } else { "src" })) {
            // Tests may look wherever they like.
            if path.components().any(|part| part.as_os_str() == "tests") || path.ends_with("tests.rs") {
                continue;
            }
            let body = text.split("#[cfg(test)]").next().unwrap_or("");
            for line in code(body) {
                for other in MODULES.iter().filter(|other| *other != module && !allowed.contains(other)) {
                    if line.contains(&format!("crate::{other}::")) {
                        broken.push(format!("{}: {}", path.display(), line.trim()));
                    }
                }
            }
        }
    }
    assert!(broken.is_empty(), "imports against the arrows:\n{}", broken.join("\n"));
}

#[test]
fn one_place_reads_the_clock_and_one_knows_zones() {
    let mut broken = Vec::new();
    for (path, text) in all_sources() {
        let name = path.display().to_string();
        for line in code(&text) {
            let clock = ["Utc::now()", "SystemTime::now()", "Local::now()"].iter().any(|word| line.contains(word));
            if clock && !name.ends_with("service/clock.rs") {
                broken.push(format!("{name}: {}", line.trim()));
            }
            if line.contains("chrono_tz") && !name.contains("domain/zone") {
                broken.push(format!("{name}: {}", line.trim()));
            }
        }
    }
    assert!(broken.is_empty(), "clocks or zones elsewhere:\n{}", broken.join("\n"));
}

#[test]
fn only_the_store_speaks_sql() {
    let mut broken = Vec::new();
    for (path, text) in all_sources() {
        let name = path.display().to_string();
        if !name.contains("/store/") && code(&text).any(|line| line.contains("sqlx::query") || line.contains("raw_sql"))
        {
            broken.push(name);
        }
    }
    assert!(broken.is_empty(), "SQL outside the store: {broken:?}");
}

/// The style sheets of all pages are one file: what is meant for one page must not bend another.
#[test]
fn the_look_of_a_page_stays_with_it() {
    let own = [".board-page", ".has-script", ".crew-day", ":where(html"];
    let mut astray = Vec::new();
    for sheet in ["board_page.css", "day/day.css", "houses.css", "house.css"] {
        let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/web").join(sheet)).unwrap();
        let rules = text.lines().map(str::trim_start).filter(|line| line.starts_with('.') && line.contains('{'));
        let stray = rules.filter(|rule| !own.iter().any(|own| rule.starts_with(own)));
        astray.extend(stray.map(|rule| format!("{sheet}: {rule}")));
    }
    assert!(astray.is_empty(), "begin with the page's class, as the others do:\n{}", astray.join("\n"));
}

#[test]
fn files_stay_short() {
    let long: Vec<String> = all_sources()
        .map(|(path, text)| (path, text.lines().count()))
        .filter(|(_, lines)| *lines > 520)
        .map(|(path, lines)| format!("{}: {lines} lines", path.display()))
        .collect();
    assert!(long.is_empty(), "a reader would split these: {long:?}");
}

#[test]
fn every_module_says_what_lives_in_it() {
    let silent: Vec<String> = all_sources()
        .filter(|(_, text)| !text.starts_with("//!") && !text.starts_with("#!"))
        .map(|(path, _)| path.display().to_string())
        .collect();
    assert!(silent.is_empty(), "no module comment: {silent:?}");
}

/// Programs compare codes: one way to write them, and none to guess.
#[test]
fn codes_are_written_with_dashes() {
    let mut wrong = Vec::new();
    for (path, text) in all_sources() {
        let told = text.split("fn code(").skip(1).filter_map(|rest| rest.split("\n    }").next());
        let made = text.split("Fault::new(").skip(1).filter_map(|rest| rest.trim_start().strip_prefix('"'));
        let told = told.flat_map(|body| body.split('"').skip(1).step_by(2));
        let made = made.filter_map(|rest| rest.split('"').next());
        let plain = |code: &&str| code.bytes().all(|byte| byte.is_ascii_lowercase() || b"-0123456789".contains(&byte));
        wrong.extend(told.chain(made).filter(|code| !plain(code)).map(|code| format!("{}: {code}", path.display())));
    }
    assert!(wrong.is_empty(), "codes that are not in kebab-case:\n{}", wrong.join("\n"));
}

#[test]
fn nothing_is_left_for_later() {
    let words = [concat!("to", "do!("), concat!("unimpl", "emented!("), concat!("#[", "ignore"), concat!("FIX", "ME")];
    let found: Vec<String> = ["src", "core/src", "tests", "benches", "examples"]
        .iter()
        .flat_map(|folder| sources(folder))
        .filter(|(_, text)| words.iter().any(|word| text.contains(word)))
        .map(|(path, _)| path.display().to_string())
        .collect();
    assert!(found.is_empty(), "left for later in {found:?}");
}
