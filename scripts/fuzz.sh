#!/usr/bin/env bash
# Hostile input against everything that reads or writes text: scripts/fuzz.sh SECONDS [TARGET...], so many seconds for each target.
# Needs a C++ compiler and no nightly Rust. What makes a target panic, or takes it longer than ten seconds, is kept in
# target/fuzz/found/; `scripts/fuzz.sh 0 TARGET FILE` feeds it that file again.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

seconds=${1:?how many seconds for each target}
shift
all=(planning-file plan feed cursor headers forecast past-weather table)
seed=${TACKFREE_FIRST_SEED:-$(od -An -N3 -tu4 /dev/urandom | tr -d ' ')}
work=$PWD/target/fuzz
mkdir -p "$work/found"

# Counters at every edge, and comparisons told to the mutator.
coverage="-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 -Cllvm-args=-sanitizer-coverage-inline-8bit-counters
    -Cllvm-args=-sanitizer-coverage-pc-table -Cllvm-args=-sanitizer-coverage-trace-compares -Ccodegen-units=16"
RUSTFLAGS=${coverage//$'\n'/ } CARGO_TARGET_DIR=$work cargo build --quiet --release --locked --manifest-path fuzz/Cargo.toml \
    --target "$(rustc -vV | sed -n 's/^host: //p')"
program=$(ls "$work"/*/release/tackfree-fuzz)

if [[ $seconds -eq 0 ]]; then
    TACKFREE_FUZZ_TARGET=$1 exec "$program" "$2"
fi
# The words of our own documents, so that the mutator need not guess them.
python3 - <<'PYTHON' > "$work/words.dict"
import json, re
words = set()
def gather(node):
    if isinstance(node, dict):
        words.update(node.get("properties", {}))
        words.update(value for value in node.get("enum", []) if isinstance(value, str))
        for value in node.values(): gather(value)
    elif isinstance(node, list):
        for value in node: gather(value)
gather(json.load(open("openapi/openapi.json"))["components"])
for word in sorted(word for word in words if re.fullmatch(r"[a-z_]{2,40}", word)): print(f'"{word}"')
PYTHON

failed=0
for target in "${@:-${all[@]}}"; do
    mkdir -p "$work/corpus/$target"
    echo "== $target, seed $seed, $seconds seconds"
    TACKFREE_FUZZ_TARGET=$target "$program" "$work/corpus/$target" "fuzz/seeds/$target" -seed="$seed" -dict="$work/words.dict" \
        -max_total_time="$seconds" -timeout=10 -rss_limit_mb=2048 -max_len=65536 -print_final_stats=1 \
        -artifact_prefix="$work/found/$target-" > "$work/$target.log" 2>&1 || failed=1
    grep -E "panicked at|^SUMMARY|ALARM|Test unit written|stat::number_of_executed_units|stat::average_exec_per_sec" "$work/$target.log" || true
    grep -E " cov: " "$work/$target.log" | tail -1 || true
done
exit $failed
