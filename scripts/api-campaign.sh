#!/usr/bin/env bash
# The API against its own document: schemathesis (PyPI) sends what the document allows, what it forbids, and chains of
# requests, and fails where the server fails or answers what the document does not say. Prints its seed.
# usage: scripts/api-campaign.sh [EXAMPLES [SEED]]     examples for each operation; 200 when nothing is said
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

examples=${1:-200} seed=${2:-1}
target=${CARGO_TARGET_DIR:-target}
[[ -x $target/debug/tackfree ]] || cargo build --quiet --bins
[[ -x $target/schemathesis/bin/schemathesis ]] || python3 -m venv "$target/schemathesis"
"$target/schemathesis/bin/pip" install --quiet --disable-pip-version-check 'schemathesis>=4.32,<5'

# As root the program hands its cluster to another user, who must be able to reach it.
data=$(mktemp -d /var/tmp/tackfree-XXXXXX)
chmod 755 "$data"
TACKFREE_REQUESTS_A_MINUTE=1000000 "$target/debug/tackfree" --data-directory "$data/data" demo --listen 127.0.0.1:0 \
    >"$data/said" 2>"$data/log" &
demo=$!
ended() {
    kill -TERM "$demo" 2>/dev/null && wait "$demo" || true
    rm -rf "$data"
}
trap ended EXIT
until grep -q '^Serving' "$data/said"; do
    kill -0 "$demo" || { cat "$data/log" >&2; exit 1; }
    sleep 0.2
done
base=$(grep -oE 'http://127\.0\.0\.1:[0-9]+' "$data/said" | head -1)
token=$(grep -oE 'tf_[A-Za-z0-9_-]{43}' "$data/said" | head -1)

echo "seed $seed, $examples examples for each operation"
# The stream does not end.
"$target/schemathesis/bin/schemathesis" run "$base/openapi.json" --max-examples "$examples" --seed "$seed" \
    --header "Authorization: Bearer $token" --exclude-path /v1/stream --continue-on-failure --max-failures 200 \
    --checks not_a_server_error,status_code_conformance,content_type_conformance,response_headers_conformance,response_schema_conformance \
    --request-timeout 60
