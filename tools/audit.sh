#!/usr/bin/env bash
# Look the locked packages up among known holes: tools/audit.sh PIP-AUDIT
# Ends with an error if there is one; where nothing can be looked up it says so, which is no error.
set -euo pipefail
cd "$(dirname "$0")/.."

lists=(locked/*.txt)
if said=$("${1:-pip-audit}" --disable-pip --require-hashes --progress-spinner off "${lists[@]/#/--requirement=}" 2>&1); then
    echo "No holes are known in what is locked."
elif grep -Eq '^Found [0-9]+ known vulnerabilit' <<<"$said"; then
    echo "$said"
    exit 1
else
    echo "THE AUDIT COULD NOT BE DONE: $(tail -n 1 <<<"$said")"
fi
