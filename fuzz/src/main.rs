//! One program for all targets: `TACKFREE_FUZZ_TARGET` says which one bytes go to. `scripts/fuzz.sh` builds and runs it.

#![no_main]

mod mutate;
mod targets;

use std::sync::OnceLock;

static TARGET: OnceLock<targets::Target> = OnceLock::new();

fn chosen() -> targets::Target {
    let name = std::env::var("TACKFREE_FUZZ_TARGET").unwrap_or_default();
    let known = targets::TARGETS.iter().find(|(known, _)| *known == name);
    let names: Vec<&str> = targets::TARGETS.iter().map(|(name, _)| *name).collect();
    known.unwrap_or_else(|| panic!("TACKFREE_FUZZ_TARGET is {name:?}; it is one of {}", names.join(", "))).1
}

libfuzzer_sys::fuzz_target!(|data: &[u8]| TARGET.get_or_init(chosen)(data));

// Half of the time libFuzzer's own changes, with the words of our documents; else ours, which keep JSON what it is.
libfuzzer_sys::fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    if seed % 2 == 0 {
        return libfuzzer_sys::fuzzer_mutate(data, size, max_size);
    }
    let changed = mutate::changed(&data[..size], u64::from(seed));
    let size = changed.len().min(max_size);
    data[..size].copy_from_slice(&changed[..size]);
    size
});
