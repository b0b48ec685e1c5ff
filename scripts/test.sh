#!/usr/bin/env bash
# Sets up what is missing and passes every test: format, lints, documentation, the whole suite on a real PostgreSQL, and
# the judges from outside (Python and Node packages that read what we write).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

target=${CARGO_TARGET_DIR:-target}
step() { echo "== $*"; }

# Installs Debian packages by name where a program is missing; elsewhere says what to install.
need() {
    local program=$1 packages=$2
    command -v "$program" >/dev/null && return 0
    if [[ ! -r /etc/debian_version ]]; then
        echo "Please install $program (on Debian: apt-get install $packages), then run this again." >&2
        exit 1
    fi
    local sudo=()
    [[ $(id -u) -eq 0 ]] || sudo=(sudo)
    echo "Installing $packages with apt-get ..."
    "${sudo[@]}" apt-get update -qq
    # shellcheck disable=SC2086 # several packages, by intention
    "${sudo[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $packages >/dev/null
}

step "what the tests need"
scripts/install-postgres.sh
need python3 "python3 python3-venv"
need node "nodejs npm"
need npm "npm"
if [[ ! -x $target/outside/bin/python ]]; then
    python3 -m venv "$target/outside" || { need no-such-program python3-venv; python3 -m venv "$target/outside"; }
fi
"$target/outside/bin/pip" install --quiet --disable-pip-version-check -r tests/python/requirements.txt
(cd tests/node && npm install --silent --no-audit --no-fund)
# A browser, and letters for it to draw.
need chromium "chromium fonts-dejavu-core"

step "types of the pages' scripts"
(cd tests/node && npm run --silent types)

step "format, lints, documentation"
cargo fmt --check
cargo clippy --quiet --all-targets -- -D warnings
RUSTDOCFLAGS="-D warnings" cargo doc --quiet --no-deps

step "advisories"
# Licences, sources and versions that were taken back are in the suite. Advisories need cargo-deny and RustSec's database.
if cargo deny --version >/dev/null 2>&1 && compgen -G "${CARGO_HOME:-$HOME/.cargo}/advisory-db*/*" >/dev/null; then
    cargo deny check --disable-fetch advisories
else
    echo "NOT CHECKED: there is no cargo-deny, or no database of advisories (\`cargo deny fetch\` gets one)."
fi

step "the suite, on a PostgreSQL of its own"
cargo build --quiet --bins
if cargo nextest --version >/dev/null 2>&1; then
    "$target/debug/with-postgres" cargo nextest run --no-fail-fast
else
    "$target/debug/with-postgres" cargo test --no-fail-fast
fi

step "the judges from outside"
python=$target/outside/bin/python
cargo run --quiet --example trade_table -- air | "$python" tests/python/check_humid_air.py
cargo run --quiet --example trade_table -- wood | "$python" tests/python/check_wood.py
cargo run --quiet --example zone_table | "$python" tests/python/check_zones.py
cargo run --quiet --example feed_sample | "$python" tests/python/check_feed.py
cargo run --quiet --example feed_sample | node tests/node/check_feed.mjs
"$python" tests/python/check_chance.py "$target/debug/tackfree"
"$python" tests/python/check_service.py "$target/debug/tackfree" \
    2026-03-06T06:00:00-05:00 America/New_York 2026-04-01T06:00:00+10:30 Australia/Adelaide
"$python" tests/python/check_webhooks.py "$target/debug/tackfree"

step "pages in a browser"
for checks in tests/node/check_pages.mjs tests/node/check_board.mjs tests/node/check_day.mjs tests/node/check_houses.mjs; do
    node "$checks"
done

step "all of it passed"
