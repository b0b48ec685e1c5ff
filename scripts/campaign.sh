#!/usr/bin/env bash
# The long campaign: many generated companies across clock changes and holidays, planned, audited and replanned, and as
# many moved on by a few days of late work, failed checks, absences and pins. Prints its seeds; a failure names the seed.
# usage: scripts/campaign.sh [COMPANIES [FIRST_SEED]]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

export TACKFREE_COMPANIES=${1:-10000} TACKFREE_FIRST_SEED=${2:-1}
echo "seeds $TACKFREE_FIRST_SEED to $((TACKFREE_FIRST_SEED + TACKFREE_COMPANIES - 1))"
cargo test --quiet --test plan -- plan_properties:: plan_repairs:: --nocapture
