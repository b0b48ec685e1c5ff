//! What the program is made of: every crate, of the fuzz targets too, has a licence of those in `deny.toml`, comes from crates.io, and
//! has not been taken back by its authors. Advisories are another matter: they need a database that is fetched (scripts/test.sh).

use serde_json::Value;
use spdx::{Expression, ParseMode};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

const CRATES_IO: &str = "registry+https://github.com/rust-lang/crates.io-index";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Licences of the one list that there is.
fn allowed() -> Vec<String> {
    let text = std::fs::read_to_string(root().join("deny.toml")).unwrap();
    let list = text.split("allow = [").nth(1).unwrap().split(']').next().unwrap();
    let lines = list.lines().map(str::trim).filter(|line| line.starts_with('"'));
    lines.map(|line| line.trim_matches([',', '"']).to_owned()).collect()
}

/// As cargo tells it: for all platforms, with what tests and builds need.
fn packages(manifest: &str) -> Vec<Value> {
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["metadata", "--format-version", "1", "--locked", "--manifest-path"]).arg(root().join(manifest));
    let told = cargo.output().unwrap();
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let metadata: Value = serde_json::from_slice(&told.stdout).unwrap();
    metadata["packages"].as_array().unwrap().clone()
}

fn all_packages() -> Vec<Value> {
    ["Cargo.toml", "fuzz/Cargo.toml"].into_iter().flat_map(packages).collect()
}

fn word<'a>(package: &'a Value, member: &str) -> &'a str {
    package[member].as_str().unwrap_or_default()
}

/// What is wrong with a licence as a crate says it, if anything is.
fn objection(licence: &str, allowed: &[String]) -> Option<String> {
    let parsed = match Expression::parse_mode(licence, ParseMode::LAX) {
        Ok(parsed) => parsed,
        Err(error) => return Some(format!("{licence:?} is no SPDX expression: {}", error.reason)),
    };
    let fits = parsed.evaluate(|asked| {
        asked.addition.is_none() && asked.license.id().is_some_and(|id| allowed.iter().any(|known| known == id.name))
    });
    (!fits).then(|| format!("{licence:?} is not allowed by deny.toml"))
}

#[test]
fn every_licence_is_one_of_those_that_are_allowed() {
    let allowed = allowed();
    let packages = all_packages();
    assert!(packages.len() > 300, "{}", packages.len());
    let mut objections = BTreeSet::new();
    for package in &packages {
        if let Some(what) = objection(word(package, "license"), &allowed) {
            objections.insert(format!("{} {}: {what}", word(package, "name"), word(package, "version")));
        }
    }
    assert!(objections.is_empty(), "{objections:#?}");
    // The judge himself.
    for (licence, fits) in [
        ("MIT OR GPL-3.0-only", true),
        ("GPL-3.0-only", false),
        ("MIT AND GPL-3.0-only", false),
        ("MIT/Apache-2.0", true),
        ("(MIT OR AGPL-3.0-only) AND Unicode-3.0", true),
        ("", false),
        ("Ours alone", false),
    ] {
        assert_eq!(objection(licence, &allowed).is_none(), fits, "{licence}");
    }
    // Nothing is allowed that nobody needs.
    for licence in &allowed {
        let others: Vec<String> = allowed.iter().filter(|other| *other != licence).cloned().collect();
        let needed = packages.iter().any(|package| objection(word(package, "license"), &others).is_some());
        assert!(needed, "no crate needs {licence}: take it off the list in deny.toml");
    }
}

#[test]
fn every_crate_comes_from_the_public_registry() {
    for package in all_packages() {
        let source = package["source"].as_str();
        let ours = ["tackfree", "tackfree-core", "tackfree-fuzz"].contains(&word(&package, "name"));
        assert!(
            if ours { source.is_none() } else { source == Some(CRATES_IO) },
            "{} is from {source:?}",
            word(&package, "name")
        );
    }
}

/// Where cargo keeps what it has read of registries' indices.
fn index_caches() -> Vec<PathBuf> {
    let home = std::env::var_os("CARGO_HOME").map(PathBuf::from);
    let home = home.or_else(|| Some(PathBuf::from(std::env::var_os("HOME")?).join(".cargo"))).unwrap();
    let indices = std::fs::read_dir(home.join("registry/index")).expect("cargo has read an index to build this");
    indices.map(|entry| entry.unwrap().path().join(".cache")).filter(|cache| cache.is_dir()).collect()
}

/// As the index has it: `se/rd/serde`.
fn place(name: &str) -> PathBuf {
    let name = name.to_lowercase();
    match name.len() {
        1 | 2 => PathBuf::from(name.len().to_string()).join(&name),
        3 => PathBuf::from("3").join(&name[..1]).join(&name),
        _ => PathBuf::from(&name[..2]).join(&name[2..4]).join(&name),
    }
}

/// As of when cargo last read the index: what was taken back since then it does not know.
#[test]
fn no_crate_was_taken_back_by_its_authors() {
    let caches = index_caches();
    let (mut unknown, mut yanked) = (BTreeSet::new(), BTreeSet::new());
    for package in all_packages().iter().filter(|package| package["source"] == CRATES_IO) {
        let (name, version) = (word(package, "name"), word(package, "version"));
        let known = caches.iter().filter_map(|cache| std::fs::read(cache.join(place(name))).ok()).find_map(|bytes| {
            // Versions and their documents, with NUL between them.
            let entries = bytes.split(|byte| *byte == 0).filter_map(|part| serde_json::from_slice::<Value>(part).ok());
            entries.filter(Value::is_object).find(|entry| entry["vers"] == version)
        });
        match known {
            None => unknown.insert(format!("{name} {version}")),
            Some(entry) => entry["yanked"] == true && yanked.insert(format!("{name} {version}")),
        };
    }
    assert!(
        unknown.is_empty(),
        "cargo's index does not know them, so nobody can say: {unknown:?}; cargo fetch reads it"
    );
    assert!(yanked.is_empty(), "taken back: {yanked:?}");
}
