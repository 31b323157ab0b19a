#!/usr/bin/env bash
# Look the locked packages up among known holes: tools/audit.sh PIP-AUDIT
# Ends with an error if there is one; where nothing can be looked up it says so, which is no error.
set -euo pipefail
cd "$(dirname "$0")/.."

lists=(locked/*.txt)
ended=0
said=$("${1:-pip-audit}" --disable-pip --require-hashes --progress-spinner off "${lists[@]/#/--requirement=}" 2>&1) ||
    ended=$?
skipped=$(grep -c "could not be audited" <<<"$said" || true)  # which pip-audit takes for well
if grep -Eq '^Found [0-9]+ known vulnerabilit' <<<"$said"; then
    echo "$said"
    exit 1
elif [ "$skipped" -gt 0 ]; then
    echo "THE AUDIT COULD NOT BE DONE of $skipped packages: $(grep -m 1 "could not be audited" <<<"$said" | tr -s ' ')"
elif [ "$ended" -gt 0 ]; then
    echo "THE AUDIT COULD NOT BE DONE: $(tail -n 1 <<<"$said")"
else
    echo "No holes are known in what is locked."
fi
