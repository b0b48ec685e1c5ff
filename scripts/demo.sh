#!/usr/bin/env bash
# Sets up what is missing, loads an invented company, plans its week, and serves it: one command on a fresh machine.
# Arguments are passed on to `tackfree demo` (see `--help`).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

scripts/install-postgres.sh
echo "Building (about two minutes the first time) ..."
cargo build --quiet --bin tackfree
exec "${CARGO_TARGET_DIR:-target}/debug/tackfree" demo "$@"
